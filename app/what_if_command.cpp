#include <algorithm>
#include <iostream>
#include <memory>
#include <optional>
#include <string>

#include "alignment/note_name.hpp"
#include "alignment/profile.hpp"
#include "app/commands.hpp"
#include "app/output_check.hpp"
#include "app/visit_input.hpp"
#include "record/tone_sound.hpp"
#include "record/tone_table.hpp"

namespace tinesight {
namespace {

struct WhatIfOptions {
  std::string visit_file;
  std::string visit;
  std::string instrument;
  std::string note;
  std::optional<double> lateral_mm;
  std::optional<double> height_mm;
  std::optional<double> gap_mm;
  std::string wav_folder;
};

int CheckedMidi(const WhatIfOptions& options) {
  const std::optional<int> midi = ParseNoteName(options.note);
  if (!midi) {
    throw CLI::ValidationError("--note " + options.note +
                               ": is no note name; write it like E1 or F#3");
  }
  if (!options.lateral_mm && !options.height_mm && !options.gap_mm) {
    throw CLI::ValidationError(
        "nothing to change: give --lateral, --height or --gap, or several of them");
  }
  return *midi;
}

Result<MeasuredPlace> MeasuredPlaceOf(const VisitMeasurement& visit, int midi,
                                      const std::string& file) {
  const auto note = std::find_if(visit.notes.begin(), visit.notes.end(),
                                 [&](const auto& candidate) { return candidate.midi == midi; });
  const std::string where = file + ": " + NoteName(midi);
  if (note == visit.notes.end()) return Fail(where + " is not among the notes of this visit");
  const std::optional<MeasuredPlace> at = PlaceOf(*note);
  if (!at) {
    return Fail(where +
                " has not lateral offset, height and gap all measured, so there is no \"now\""
                " to start from; measure it again");
  }
  return *at;
}

int WhatIf(const WhatIfOptions& options) {
  const int midi = CheckedMidi(options);
  const Result<VisitMeasurement> visit = ReadVisit(options.visit_file, options.visit);
  if (!visit) return FailWith(visit.error());
  const Result<InstrumentProfile> profile = ReadInstrumentProfile(options.instrument);
  if (!profile) return FailWith(profile.error());
  const NoteProfile* target = profile->Find(midi);
  if (target == nullptr) {
    return FailWith({options.instrument + ": " + NoteName(midi) + " is outside its compass"});
  }
  const Result<MeasuredPlace> now = MeasuredPlaceOf(*visit, midi, options.visit_file);
  if (!now) return FailWith(now.error());

  MeasuredPlace then = *now;
  then.place = {options.lateral_mm.value_or(now->place.lateral_mm),
                options.height_mm.value_or(now->place.height_mm),
                options.gap_mm.value_or(now->place.gap_mm)};
  std::cout << WhatIfText(PredictNoteTone(*target, profile->tone, *now),
                          PredictNoteTone(*target, profile->tone, then),
                          PredictToneChange(*target, profile->tone, *now, then.place),
                          profile->tone, !TerminalIsUtf8());
  if (!options.wav_folder.empty()) {
    const auto files =
        WritePredictedSounds(options.wav_folder, *target, profile->tone, {now->place, then.place});
    if (!files) return FailWith(files.error());
    std::cout << "\nTo listen to (predictions; soft, medium, hard):\n";
    for (const auto& file : *files) std::cout << "  " << file.string() << '\n';
  }
  std::cout << std::flush;
  if (!std::cout) return FailWith({"the text could not be written to the standard output"});
  return kExitOk;
}

}  // namespace

void AddWhatIfCommand(CLI::App& app, int& exit_status) {
  auto options = std::make_shared<WhatIfOptions>();
  CLI::App* command =
      app.add_subcommand("what-if", "Predict what moving one tine does to its sound");
  command->add_option("visit", options->visit_file, "result of `measure --json`, or service record")
      ->required()
      ->option_text("RESULT.json|FILE.tinerec");
  command->add_option("--visit", options->visit, "visit of the record; the newest if not given")
      ->option_text("NAME");
  command->add_option("--instrument", options->instrument, "instrument profile")
      ->required()
      ->option_text("FILE");
  command->add_option("--note", options->note, "the note, like F#1")
      ->required()
      ->option_text("NOTE");
  const auto place = [&](const char* name, std::optional<double>& value, const char* help,
                         double low, double high) {
    command->add_option(name, value, help)->check(CLI::Range(low, high))->option_text("MM");
  };
  place("--lateral", options->lateral_mm, "lateral offset to try, + toward treble", -20.0, 20.0);
  place("--height", options->height_mm, "height to try, + above the pickup's center", -20.0, 20.0);
  place("--gap", options->gap_mm, "gap to try", 0.1, 20.0);
  command->add_option("--wav", options->wav_folder, "write both as sound files to listen to")
      ->option_text("DIR");
  command->callback([options, &exit_status] { exit_status = WhatIf(*options); });
}

}  // namespace tinesight
