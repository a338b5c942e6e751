#include "alignment/tone_evenness.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>

#include "alignment/note_name.hpp"
#include "alignment/robust.hpp"

namespace tinesight {
namespace {

constexpr double kFaintShare = 0.1;  // −20 dB
constexpr int kNeighborReach = 7;    // notes to either side
constexpr std::size_t kFewestNeighbors = 5;
constexpr double kLeastScaleDb = 0.3;  // differences below are no scatter to speak of
constexpr double kSaidDb = 0.5;        // smaller changes are left out of a sentence

std::string Decimals(double value, int decimals) {
  std::array<char, 32> text{};
  (void)std::snprintf(text.data(), text.size(), "%.*f", decimals, value);
  return text.data();
}

ToneInterval Limited(const ToneInterval& ratio) {
  return {HeardRatioDb(ratio.value), HeardRatioDb(ratio.low), HeardRatioDb(ratio.high),
          ratio.linear};
}

struct Trend {
  double level_db = 0.0;
  double octave_db = 0.0;
  double level_u_db = 0.0;
  double octave_u_db = 0.0;
  bool of_profile = false;
};

Trend ProfileTrend(const NoteTone& note) {
  const double octave = note.ideal_harmonics_db[static_cast<std::size_t>(Dynamic::kMedium)](0);
  return {0.0, HeardRatioDb(octave), 0.0, 0.0, true};
}

// One robust line through a figure of the neighbors; its value at the note and U of that. With
// neighbors on one side only a slope would be carried on beyond them: there it is a level line.
std::pair<double, double> NeighborLine(const Eigen::VectorXd& steps,
                                       const Eigen::VectorXd& figures) {
  constexpr double kEnoughAside = 2.0;
  const bool both_sides = steps.minCoeff() <= -kEnoughAside && steps.maxCoeff() >= kEnoughAside;
  const RobustLine line = FitRobustLine(steps, figures, both_sides, kLeastScaleDb);
  return {line.offset(0),
          2.0 * line.effective_scale / std::sqrt(static_cast<double>(steps.size()))};
}

// The neighbors are compared by how far each is from its own ideal, so that what the profile means
// to change over the keyboard is no unevenness.
Trend TrendAt(const std::vector<NoteTone>& notes, std::size_t index) {
  std::vector<const NoteTone*> neighbors;
  for (std::size_t i = 0; i < notes.size(); ++i) {
    if (i != index && std::abs(notes[i].midi - notes[index].midi) <= kNeighborReach) {
      neighbors.push_back(&notes[i]);
    }
  }
  Trend trend = ProfileTrend(notes[index]);
  if (neighbors.size() < kFewestNeighbors) return trend;
  const auto count = static_cast<Eigen::Index>(neighbors.size());
  Eigen::VectorXd steps(count), levels(count), octaves(count);
  for (Eigen::Index i = 0; i < count; ++i) {
    const NoteTone& neighbor = *neighbors[static_cast<std::size_t>(i)];
    steps(i) = neighbor.midi - notes[index].midi;
    levels(i) = neighbor.Of(Dynamic::kMedium).level_db.value;
    octaves(i) = HeardRatioDb(neighbor.Of(Dynamic::kMedium).second_db.value) -
                 ProfileTrend(neighbor).octave_db;
  }
  const auto [level_db, level_u_db] = NeighborLine(steps, levels);
  const auto [octave_db, octave_u_db] = NeighborLine(steps, octaves);
  return {level_db, trend.octave_db + octave_db, level_u_db, octave_u_db, false};
}

ToneHeard Heard(const EvennessFigure& figure, double audible_db) {
  const double deviation = figure.Deviation();
  const double up = std::hypot(figure.figure.high - figure.figure.value, figure.trend_u_db);
  const double down = std::hypot(figure.figure.value - figure.figure.low, figure.trend_u_db);
  const double low = deviation - down, high = deviation + up;
  if (low > audible_db || high < -audible_db) return ToneHeard::kYes;
  if (low >= -audible_db && high <= audible_db) return ToneHeard::kNo;
  return std::abs(deviation) > audible_db ? ToneHeard::kProbably : ToneHeard::kProbablyNot;
}

// The quantities of a note as the sentences speak of them.
struct Fault {
  double deviation_mm = 0.0;  // from the target
  double tolerance_mm = 0.0;
  std::string words;
  std::string of_tine;  // "its tine is …"
  [[nodiscard]] bool IsOut() const { return std::abs(deviation_mm) > tolerance_mm; }
};

std::array<Fault, 3> Faults(const PickupPlace& place, const NoteProfile& target) {
  const double height = place.height_mm - target.height_mm;
  const double gap = place.gap_mm - target.gap_mm;
  const auto mm = [](double value) { return Decimals(std::abs(value), 2) + " mm "; };
  const std::string aside =
      mm(place.lateral_mm) + (place.lateral_mm < 0.0 ? "toward bass" : "toward treble");
  return {
      {{place.lateral_mm, target.tolerance_lateral_mm, "its lateral offset, " + aside, aside},
       {height, target.tolerance_height_mm,
        "its height, " + mm(height) + (height < 0.0 ? "lower" : "higher") + " than the profile's",
        mm(height) + (height < 0.0 ? "too low" : "too high")},
       {gap, target.tolerance_gap_mm,
        "its gap, " + mm(gap) + (gap < 0.0 ? "narrower" : "wider") + " than the profile's",
        mm(gap) + (gap < 0.0 ? "too near its pickup" : "too far from its pickup")}}};
}

PickupPlace WithTarget(PickupPlace place, std::size_t quantity, const NoteProfile& target) {
  if (quantity == 0) place.lateral_mm = 0.0;
  if (quantity == 1) place.height_mm = target.height_mm;
  if (quantity == 2) place.gap_mm = target.gap_mm;
  return place;
}

double Cost(double level_deviation_db, double octave_deviation_db, const ToneProfile& tone) {
  return std::hypot(level_deviation_db / tone.audible_level_db,
                    octave_deviation_db / tone.audible_harmonic_db);
}

// The quantity that, put right alone, brings the note closest to its neighbors; -1: none does.
int MainCause(const NoteEvenness& note, const NoteTone& tone, const NoteProfile& target,
              const ToneProfile& listening) {
  const TineStroke stroke = StrokeOf(target, listening, Dynamic::kMedium);
  const double ideal_db = PredictToneDb(IdealPlace(target), PoleRadiusMm(target), stroke)(0);
  double least = 0.8 * note.cost;  // less of a gain names no cause
  int cause = -1;
  for (std::size_t i = 0; i < 3; ++i) {
    const Eigen::Vector3d db =
        PredictToneDb(WithTarget(tone.at.place, i, target), PoleRadiusMm(target), stroke);
    const double cost = Cost(db(0) - ideal_db - note.level.trend_db,
                             HeardRatioDb(db(1)) - note.octave.trend_db, listening);
    if (cost < least) {
      least = cost;
      cause = static_cast<int>(i);
    }
  }
  return cause;
}

std::string Joined(const std::vector<std::string>& parts) {
  std::string text;
  for (std::size_t i = 0; i < parts.size(); ++i) {
    if (i > 0) text += i + 1 == parts.size() ? " and " : ", ";
    text += parts[i];
  }
  return text;
}

std::string Sentence(const NoteEvenness& note, const std::array<Fault, 3>& faults, int cause) {
  std::vector<std::string> out;
  for (const Fault& fault : faults) {
    if (fault.IsOut()) out.push_back(fault.words);
  }
  const std::string neighbors =
      note.against_profile ? " than the profile asks" : " than its neighbors";
  const std::string change = ToneChangeText(note.level.Deviation(), note.octave.Deviation());
  const std::string heard = ToneHeardWord(note.heard);
  if (note.heard >= ToneHeard::kProbably) {
    std::string text = note.name + " " + heard + ": " + change + neighbors;
    if (cause >= 0) text += ", mostly by " + faults[static_cast<std::size_t>(cause)].words;
    if (out.empty()) text += ", though every figure is within its tolerance";
    return text + ".";
  }
  const std::string how = change.empty() ? "" : ": " + change + neighbors;
  if (out.empty()) return note.name + " " + heard + how + ".";
  return note.name + " is off by " + Joined(out) + ", but " + heard + how + ".";
}

// The quantity whose uncertainty moves the level and the octave most.
std::size_t MainUncertainty(const NoteTone& tone, const ToneProfile& listening) {
  std::array<double, 3> shares{};
  for (int i = 0; i < 3; ++i) {
    shares[static_cast<std::size_t>(i)] =
        tone.at.expanded_u_mm(i) *
        Cost(tone.level_db_per_mm(i), tone.second_db_per_mm(i), listening);
  }
  return static_cast<std::size_t>(std::max_element(shares.begin(), shares.end()) - shares.begin());
}

std::string MainUncertaintyWord(const std::vector<NoteTone>& tones, const ToneProfile& listening) {
  std::array<std::size_t, 3> counts{};
  for (const NoteTone& tone : tones) ++counts[MainUncertainty(tone, listening)];
  static constexpr std::array<const char*, 3> kWords{"the lateral offset", "the height", "the gap"};
  for (std::size_t i = 0; i < 3; ++i) {
    if (2 * counts[i] > tones.size()) return kWords[i];
  }
  return "";
}

}  // namespace

std::string ToneHeardWord(ToneHeard heard) {
  switch (heard) {
    case ToneHeard::kNo:
      return "blends in";
    case ToneHeard::kProbablyNot:
      return "probably blends in";
    case ToneHeard::kProbably:
      return "probably sticks out";
    case ToneHeard::kYes:
      break;
  }
  return "sticks out";
}

double HeardRatioDb(double ratio_db) {
  const double power = std::pow(10.0, 0.1 * ratio_db), faint = kFaintShare * kFaintShare;
  return 10.0 * std::log10((power + faint) / (1.0 + power * faint));
}

double RatioHeardAsDb(double heard_db) {
  constexpr double kLimitDb = 19.0;
  const double power = std::pow(10.0, 0.1 * std::clamp(heard_db, -kLimitDb, kLimitDb));
  const double faint = kFaintShare * kFaintShare;
  return 10.0 * std::log10((power - faint) / (1.0 - power * faint));
}

std::string ToneChangeText(double level_db, double octave_db) {
  std::vector<std::string> parts;
  if (std::abs(level_db) >= kSaidDb) {
    parts.push_back(Decimals(std::abs(level_db), 1) + " dB " +
                    (level_db < 0.0 ? "quieter" : "louder"));
  }
  if (std::abs(octave_db) >= kSaidDb) {
    parts.push_back((octave_db < 0.0 ? "rounder (octave " : "brighter (octave ") +
                    Decimals(std::abs(octave_db), 1) + " dB " +
                    (octave_db < 0.0 ? "weaker)" : "stronger)"));
  }
  return Joined(parts);
}

std::string PlainToneText(const NoteEvenness& note, const EvennessChart& chart) {
  constexpr double kLittle = 0.5, kMuch = 3.0;
  struct Word {
    double size;  // in units of what can be heard
    std::string text;
  };
  const auto word = [&](double deviation_db, double audible_db, const char* less,
                        const char* more) -> Word {
    const double size = std::abs(deviation_db) / audible_db;
    const std::string direction = deviation_db < 0.0 ? less : more;
    if (size < kLittle) return {size, ""};
    return {size, (size < 1.0 ? "a little " : size < kMuch ? "" : "much ") + direction};
  };
  Word first = word(note.level.Deviation(), chart.audible_level_db, "quieter", "louder");
  Word second = word(note.octave.Deviation(), chart.audible_octave_db, "rounder", "brighter");
  if (second.size > first.size) std::swap(first, second);
  return second.text.empty() ? first.text : first.text + ", " + second.text;
}

const NoteEvenness* EvennessChart::Find(int midi) const {
  const auto found = std::find_if(notes.begin(), notes.end(),
                                  [&](const NoteEvenness& note) { return note.midi == midi; });
  return found == notes.end() ? nullptr : &*found;
}

EvennessChart Evenness(const VisitMeasurement& visit, const InstrumentProfile& profile) {
  const ToneProfile& listening = profile.tone;
  EvennessChart chart;
  chart.audible_level_db = listening.audible_level_db;
  chart.audible_octave_db = listening.audible_harmonic_db;
  chart.workshop_defaults = listening.is_default;
  const std::vector<NoteTone> tones = PredictVisitTone(visit, profile);
  chart.main_uncertainty = MainUncertaintyWord(tones, listening);
  for (std::size_t i = 0; i < tones.size(); ++i) {
    const NoteTone& tone = tones[i];
    const NoteProfile& target = *profile.Find(tone.midi);
    const DynamicTone& medium = tone.Of(Dynamic::kMedium);
    const Trend trend = TrendAt(tones, i);
    NoteEvenness note;
    note.midi = tone.midi;
    note.name = tone.name;
    note.level = {medium.level_db, trend.level_db, trend.level_u_db};
    note.octave = {Limited(medium.second_db), trend.octave_db, trend.octave_u_db};
    note.against_profile = trend.of_profile;
    note.heard = std::max(Heard(note.level, chart.audible_level_db),
                          Heard(note.octave, chart.audible_octave_db));
    const auto faults = Faults(tone.at.place, target);
    note.within_tolerance = std::none_of(faults.begin(), faults.end(),
                                         [](const Fault& fault) { return fault.IsOut(); });
    note.cost = Cost(note.level.Deviation(), note.octave.Deviation(), listening);
    const int cause = MainCause(note, tone, target, listening);
    if (cause >= 0) note.cause = faults[static_cast<std::size_t>(cause)].of_tine;
    note.sentence = Sentence(note, faults, cause);
    chart.notes.push_back(std::move(note));
  }
  return chart;
}

}  // namespace tinesight
