#include "alignment/profile.hpp"

#include <array>
#include <cmath>
#include <fstream>
#include <nlohmann/json.hpp>
#include <optional>
#include <sstream>

#include "alignment/cantilever.hpp"
#include "alignment/key_spelling.hpp"
#include "alignment/note_name.hpp"
#include "calibration/formatted.hpp"

namespace tinesight {
namespace {

using Json = nlohmann::json;

constexpr std::uintmax_t kLargestFileBytes = 4u << 20;  // a profile has some 20 kB

// A number of the file: where it goes and what a real instrument can have there. The limits are
// wide; they are to catch a slipped decimal point, a wrong unit or a missing sign.
template <typename Owner>
struct Field {
  const char* key;
  double Owner::*member;
  double low;
  double high;
};

constexpr std::array<Field<NoteProfile>, 9> kNoteFields = {{
    {"tine_length_mm", &NoteProfile::tine_length_mm, 5.0, 400.0},
    {"tine_diameter_mm", &NoteProfile::tine_diameter_mm, 0.3, 6.0},
    {"pole_tip_diameter_mm", &NoteProfile::pole_tip_diameter_mm, 0.3, 20.0},
    {"bobbin_diameter_mm", &NoteProfile::bobbin_diameter_mm, 1.0, 50.0},
    {"gap_mm", &NoteProfile::gap_mm, 0.05, 20.0},
    {"height_mm", &NoteProfile::height_mm, -10.0, 10.0},
    {"tolerance_lateral_mm", &NoteProfile::tolerance_lateral_mm, 0.005, 10.0},
    {"tolerance_height_mm", &NoteProfile::tolerance_height_mm, 0.005, 10.0},
    {"tolerance_gap_mm", &NoteProfile::tolerance_gap_mm, 0.005, 10.0},
}};

// Of a note, or beside the notes for all that don't say their own.
constexpr std::array<Field<NoteProfile>, 2> kScrewFields = {{
    {"screw_spacing_mm", &NoteProfile::screw_spacing_mm, 3.0, 300.0},
    {"root_ahead_of_rear_screw_mm", &NoteProfile::root_ahead_of_rear_screw_mm, -200.0, 400.0},
}};

constexpr std::array<Field<InstrumentProfile>, 4> kInstrumentFields = {{
    {"note_spacing_mm", &InstrumentProfile::note_spacing_mm, 2.0, 100.0},
    {"screw_pitch_mm", &InstrumentProfile::screw_pitch_mm, 0.1, 3.0},
    {"tone_bar_width_mm", &InstrumentProfile::tone_bar_width_mm, 2.0, 30.0},
    {"block_height_mm", &InstrumentProfile::block_height_mm, 2.0, 30.0},
}};

constexpr std::array<Field<PriorUncertainty>, 10> kPriorFields = {{
    {"pickup_position_mm", &PriorUncertainty::pickup_position_mm, 0.001, 20.0},
    {"pole_protrusion_mm", &PriorUncertainty::pole_protrusion_mm, 0.001, 20.0},
    {"lateral_mm", &PriorUncertainty::lateral_mm, 0.001, 20.0},
    {"height_mm", &PriorUncertainty::height_mm, 0.001, 20.0},
    {"gap_mm", &PriorUncertainty::gap_mm, 0.001, 20.0},
    {"tine_length_mm", &PriorUncertainty::tine_length_mm, 0.001, 50.0},
    {"tine_yaw_deg", &PriorUncertainty::tine_yaw_deg, 0.001, 30.0},
    {"tine_pitch_deg", &PriorUncertainty::tine_pitch_deg, 0.001, 30.0},
    {"tone_bar_yaw_deg", &PriorUncertainty::tone_bar_yaw_deg, 0.001, 30.0},
    {"tone_bar_pitch_deg", &PriorUncertainty::tone_bar_pitch_deg, 0.001, 30.0},
}};

constexpr std::array<Field<ToneProfile>, 8> kToneFields = {{
    {"amplitude_soft_mm", &ToneProfile::amplitude_soft_mm, 0.005, 10.0},
    {"amplitude_medium_mm", &ToneProfile::amplitude_medium_mm, 0.005, 10.0},
    {"amplitude_hard_mm", &ToneProfile::amplitude_hard_mm, 0.005, 10.0},
    {"amplitude_length_exponent", &ToneProfile::amplitude_length_exponent, 0.0, 3.0},
    {"second_mode_share", &ToneProfile::second_mode_share, 0.0, 0.5},
    {"audible_level_db", &ToneProfile::audible_level_db, 0.1, 30.0},
    {"audible_harmonic_db", &ToneProfile::audible_harmonic_db, 0.1, 60.0},
    {"target_level_db", &ToneProfile::target_level_db, -20.0, 20.0},
}};
constexpr std::array<Field<SuspicionProfile>, 4> kSuspicionFields = {{
    {"tone_bar_low_mm", &SuspicionProfile::tone_bar_low_mm, 0.01, 10.0},
    {"crooked_deg", &SuspicionProfile::crooked_deg, 0.01, 30.0},
    {"skewed_deg", &SuspicionProfile::skewed_deg, 0.01, 30.0},
    {"pickup_out_mm", &SuspicionProfile::pickup_out_mm, 0.01, 20.0},
}};
constexpr const char* kTargetSecondKey = "target_second_harmonic_db";

std::string Number(double value) { return Formatted("%g", value); }

// What stands in the file, short enough for one line of an error.
std::string Shown(const Json& value) {
  constexpr std::size_t kLongest = 40;
  if (value.is_number()) return Number(value.get<double>());
  if (value.is_object()) return "an object";
  if (value.is_array()) return "a list";
  const std::string text = value.dump(-1, ' ', false, Json::error_handler_t::replace);
  return text.size() <= kLongest ? text : "a long text";
}

// Reads one field of `object` into `owner`. True: it was there; false: the key is absent.
template <typename Owner>
Result<bool> ReadField(const Json& object, const Field<Owner>& field, const std::string& where,
                       Owner& owner) {
  const auto found = object.find(field.key);
  if (found == object.end()) return false;
  const std::string range =
      "; it must lie between " + Number(field.low) + " and " + Number(field.high);
  if (!found->is_number()) {
    return Fail(where + field.key + " is " + Shown(*found) + ", not a number" + range);
  }
  const double value = found->template get<double>();
  if (!(value >= field.low && value <= field.high)) {
    return Fail(where + field.key + " is " + Number(value) + range);
  }
  owner.*field.member = value;
  return true;
}

// The keys of `groups` of fields, after those given.
template <typename... Groups>
std::vector<std::string> Keys(std::vector<std::string> keys, const Groups&... groups) {
  const auto add = [&keys](const auto& fields) {
    for (const auto& field : fields) keys.emplace_back(field.key);
  };
  (add(groups), ...);
  return keys;
}

// Reads those of `fields` that are there into `owner`.
template <typename Owner, std::size_t kCount>
Result<void> ReadOptional(const Json& object, const std::array<Field<Owner>, kCount>& fields,
                          const std::string& where, Owner& owner) {
  for (const auto& field : fields) {
    const Result<bool> present = ReadField(object, field, where, owner);
    if (!present) return tl::unexpected(present.error());
  }
  return {};
}

// Reads the optional object `name` with any of `fields` into `owner`.
template <typename Owner, std::size_t kCount>
Result<void> ReadGroup(const Json& root, const std::string& name,
                       const std::array<Field<Owner>, kCount>& fields, const std::string& where,
                       Owner& owner) {
  const auto object = root.find(name);
  if (object == root.end()) return {};
  if (!object->is_object()) {
    return Fail(where + name + " is " + Shown(*object) + ", not an object");
  }
  const std::string here = where + name + ": ";
  if (Result<void> spelled = CheckSpelling(*object, Keys({}, fields), here); !spelled) {
    return spelled;
  }
  return ReadOptional(*object, fields, here, owner);
}

Result<ToneProfile> ReadTone(const Json& object, const std::string& where) {
  const std::vector<std::string> keys = Keys({kTargetSecondKey}, kToneFields);
  if (const Result<void> spelled = CheckSpelling(object, keys, where); !spelled) {
    return tl::unexpected(spelled.error());
  }
  ToneProfile tone;
  for (const auto& field : kToneFields) {
    const Result<bool> present = ReadField(object, field, where, tone);
    if (!present) return tl::unexpected(present.error());
    if (*present) tone.is_default = false;
  }
  struct Target {
    double second_db = 0.0;
  } target;
  const Field<Target> field{kTargetSecondKey, &Target::second_db, -60.0, 60.0};
  const Result<bool> present = ReadField(object, field, where, target);
  if (!present) return tl::unexpected(present.error());
  if (*present) {
    tone.target_second_harmonic_db = target.second_db;
    tone.is_default = false;
  }
  if (!(tone.amplitude_soft_mm < tone.amplitude_medium_mm &&
        tone.amplitude_medium_mm < tone.amplitude_hard_mm)) {
    return Fail(where + "amplitude_soft_mm, amplitude_medium_mm and amplitude_hard_mm are " +
                Number(tone.amplitude_soft_mm) + ", " + Number(tone.amplitude_medium_mm) + " and " +
                Number(tone.amplitude_hard_mm) + "; each must be more than the one before");
  }
  return tone;
}

Result<int> ReadMidi(const Json& note, std::size_t index, const std::string& where) {
  const std::string entry = where + "entry " + std::to_string(index + 1) + " of notes";
  if (!note.is_object()) return Fail(entry + " is " + Shown(note) + ", not an object of a note");
  const auto found = note.find("midi");
  if (found == note.end()) {
    return Fail(entry + " has no midi; give the note's MIDI number, 28 for E1");
  }
  const double value = found->is_number() ? found->get<double>() : -1.0;
  if (!(value >= 0.0 && value <= 127.0) || value != std::floor(value)) {
    return Fail(entry + ": midi is " + Shown(*found) +
                "; it must be a whole number between 0 and 127");
  }
  return static_cast<int>(value);
}

// `usual`: what holds where the note doesn't say its own.
Result<NoteProfile> ReadNote(const Json& object, std::size_t index, const NoteProfile& usual,
                             const std::string& where) {
  const Result<int> midi = ReadMidi(object, index, where);
  if (!midi) return tl::unexpected(midi.error());
  NoteProfile note = usual;
  note.midi = *midi;
  const std::string here = where + "note " + std::to_string(*midi) + " (" + NoteName(*midi) + "): ";
  const std::vector<std::string> keys = Keys({"midi"}, kNoteFields, kScrewFields);
  if (const Result<void> spelled = CheckSpelling(object, keys, here); !spelled) {
    return tl::unexpected(spelled.error());
  }
  for (const auto& field : kNoteFields) {
    const Result<bool> present = ReadField(object, field, here, note);
    if (!present) return tl::unexpected(present.error());
    if (*present) continue;
    if (field.member != &NoteProfile::tine_length_mm) {
      return Fail(here + field.key + " is missing; add it, in mm, between " + Number(field.low) +
                  " and " + Number(field.high));
    }
  }
  if (const Result<void> screws = ReadOptional(object, kScrewFields, here, note); !screws) {
    return tl::unexpected(screws.error());
  }
  if (note.tine_length_mm == 0.0) {
    note.tine_length_mm =
        TineLengthForMassRatioMm(EqualTemperamentHz(note.midi), note.tine_diameter_mm);
  }
  if (note.bobbin_diameter_mm < note.pole_tip_diameter_mm) {
    return Fail(here + "bobbin_diameter_mm is " + Number(note.bobbin_diameter_mm) +
                "; it must not be less than pole_tip_diameter_mm, " +
                Number(note.pole_tip_diameter_mm));
  }
  return note;
}

// The note `midi` between two listed ones. Lengths go by a constant ratio from note to note, as
// frequencies do (length ∝ 1/√frequency).
NoteProfile Interpolated(const NoteProfile& below, const NoteProfile& above, int midi) {
  const double share =
      static_cast<double>(midi - below.midi) / static_cast<double>(above.midi - below.midi);
  NoteProfile note = below;
  note.midi = midi;
  const auto between = [&](double NoteProfile::*member) {
    note.*member = below.*member + share * (above.*member - below.*member);
  };
  for (const auto& field : kNoteFields) between(field.member);
  for (const auto& field : kScrewFields) between(field.member);
  note.tine_length_mm =
      below.tine_length_mm * std::pow(above.tine_length_mm / below.tine_length_mm, share);
  return note;
}

// A length between two listed ones that is far from what these say of it: a slipped digit, which
// each note's own range can't tell.
Result<void> CheckLengths(const std::vector<NoteProfile>& listed, const std::string& where) {
  constexpr double kMostRatio = 1.5;
  for (std::size_t i = 1; i + 1 < listed.size(); ++i) {
    const double length_mm = listed[i].tine_length_mm;
    const double expected_mm =
        Interpolated(listed[i - 1], listed[i + 1], listed[i].midi).tine_length_mm;
    if (length_mm < kMostRatio * expected_mm && expected_mm < kMostRatio * length_mm) continue;
    return Fail(where + "note " + std::to_string(listed[i].midi) + " (" + NoteName(listed[i].midi) +
                "): tine_length_mm is " + Number(length_mm) + " between " +
                Number(listed[i - 1].tine_length_mm) + " and " +
                Number(listed[i + 1].tine_length_mm) + " of its neighbors; check all three");
  }
  return {};
}

// Bobbins of one row can't stand in each other; what says so is a slip, or not measured.
Result<void> CheckBobbins(const std::vector<NoteProfile>& listed, double note_spacing_mm,
                          const std::string& where) {
  constexpr double kMostShare = 1.05;  // of the spacing, as both are read with a caliper
  for (const NoteProfile& note : listed) {
    if (note.bobbin_diameter_mm <= kMostShare * note_spacing_mm) continue;
    return Fail(where + "note " + std::to_string(note.midi) + " (" + NoteName(note.midi) +
                "): bobbin_diameter_mm is " + Number(note.bobbin_diameter_mm) +
                ", wider than note_spacing_mm, " + Number(note_spacing_mm) +
                ": neighbors would overlap; measure both again");
  }
  return {};
}

Result<void> ReadNotes(const Json& root, const std::string& where, InstrumentProfile& profile) {
  const auto list = root.find("notes");
  if (list == root.end()) return Fail(where + "notes is missing; list at least one note");
  if (!list->is_array() || list->empty()) {
    return Fail(where + "notes must be a list of at least one note");
  }
  NoteProfile usual;
  if (Result<void> screws = ReadOptional(root, kScrewFields, where, usual); !screws) {
    return screws;
  }
  std::vector<NoteProfile> listed;
  for (std::size_t i = 0; i < list->size(); ++i) {
    const Result<NoteProfile> note = ReadNote((*list)[i], i, usual, where);
    if (!note) return tl::unexpected(note.error());
    listed.push_back(*note);
    if (!profile.notes.empty() && note->midi <= profile.LastMidi()) {
      const bool twice = note->midi == profile.LastMidi();
      return Fail(where + "note " + std::to_string(note->midi) + " (" + NoteName(note->midi) + ")" +
                  (twice ? " is listed twice" : " stands after a higher note") +
                  "; list each note once, in ascending order");
    }
    if (!profile.notes.empty()) {
      const NoteProfile below = profile.notes.back();
      for (int midi = below.midi + 1; midi < note->midi; ++midi) {
        profile.notes.push_back(Interpolated(below, *note, midi));
      }
    }
    profile.notes.push_back(*note);
  }
  if (auto lengths = CheckLengths(listed, where); !lengths) return lengths;
  return CheckBobbins(listed, profile.note_spacing_mm, where);
}

Result<InstrumentProfile> ReadInstrument(const Json& root, const std::string& where) {
  if (!root.is_object()) return Fail(where + "the file must hold one JSON object");
  const std::vector<std::string> keys =
      Keys({"name", "notes", "prior_u", "tone", "suspicion"}, kInstrumentFields, kScrewFields);
  if (const Result<void> spelled = CheckSpelling(root, keys, where); !spelled) {
    return tl::unexpected(spelled.error());
  }
  InstrumentProfile profile;
  if (const auto name = root.find("name"); name != root.end()) {
    if (!name->is_string()) return Fail(where + "name is " + Shown(*name) + ", not a text");
    profile.name = name->get<std::string>();
  }
  for (const auto& field : kInstrumentFields) {
    const Result<bool> present = ReadField(root, field, where, profile);
    if (!present) return tl::unexpected(present.error());
    if (!*present && field.member == &InstrumentProfile::note_spacing_mm) {
      return Fail(where + "note_spacing_mm is missing; give the distance between two pickups");
    }
  }
  for (const Result<void>& group :
       {ReadGroup(root, "prior_u", kPriorFields, where, profile.prior_u),
        ReadGroup(root, "suspicion", kSuspicionFields, where, profile.suspicion)}) {
    if (!group) return tl::unexpected(group.error());
  }
  if (const auto tone = root.find("tone"); tone != root.end()) {
    if (!tone->is_object()) return Fail(where + "tone is " + Shown(*tone) + ", not an object");
    const Result<ToneProfile> read = ReadTone(*tone, where + "tone: ");
    if (!read) return tl::unexpected(read.error());
    profile.tone = *read;
  }
  const Result<void> notes = ReadNotes(root, where, profile);
  if (!notes) return tl::unexpected(notes.error());
  return profile;
}

Result<std::string> ReadText(const std::filesystem::path& file) {
  std::error_code failure;
  const std::filesystem::file_status status = std::filesystem::status(file, failure);
  if (failure || !std::filesystem::exists(status)) {
    return Fail(file.string() + ": no such instrument profile; check the path");
  }
  if (std::filesystem::is_directory(status)) {
    return Fail(file.string() + ": this is a folder; give the instrument profile's file");
  }
  const std::uintmax_t size = std::filesystem::file_size(file, failure);
  if (!failure && size > kLargestFileBytes) {
    return Fail(file.string() + ": too large for an instrument profile (over 4 MB)");
  }
  std::ifstream stream(file, std::ios::binary);
  std::ostringstream text;
  text << stream.rdbuf();
  if (!stream || text.str().empty()) {
    return Fail(file.string() + ": empty or not readable; give an instrument profile");
  }
  return text.str();
}

// The library's message without its own tag, so that line and column stand first.
std::string ParseMessage(const std::string& what) {
  const std::size_t tag_end = what.find("] ");
  return tag_end == std::string::npos ? what : what.substr(tag_end + 2);
}

}  // namespace

const NoteProfile* InstrumentProfile::Find(int midi) const {
  if (notes.empty() || midi < FirstMidi() || midi > LastMidi()) return nullptr;
  return &notes[static_cast<std::size_t>(midi - FirstMidi())];
}

Result<InstrumentProfile> ReadInstrumentProfile(const std::filesystem::path& file) {
  const Result<std::string> text = ReadText(file);
  if (!text) return tl::unexpected(text.error());
  return ParseInstrumentProfile(*text, file.filename().string() + ": ");
}

Result<InstrumentProfile> ParseInstrumentProfile(std::string_view json, const std::string& where) {
  try {
    return ReadInstrument(Json::parse(json), where);
  } catch (const Json::exception& exception) {
    return Fail(where + "not valid JSON: " + ParseMessage(exception.what()));
  }
}

}  // namespace tinesight
