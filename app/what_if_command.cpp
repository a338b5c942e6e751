#include <algorithm>
#include <memory>
#include <optional>
#include <string>

#include "alignment/note_name.hpp"
#include "app/commands.hpp"
#include "app/option_checks.hpp"
#include "app/record_options.hpp"
#include "app/visit_input.hpp"
#include "record/tone_sound.hpp"
#include "record/tone_table.hpp"

namespace tinesight {
namespace {

struct WhatIfOptions {
  VisitInputOptions input;
  std::string note;
  std::optional<double> lateral_mm;
  std::optional<double> height_mm;
  std::optional<double> gap_mm;
  std::string wav_folder;
};

void CheckUsage(const WhatIfOptions& options) {
  (void)NoteOption("--note", options.note);
  if (options.lateral_mm || options.height_mm || options.gap_mm) return;
  throw CLI::ValidationError(
      "nothing to change: give --lateral, --height or --gap, or several of them");
}

Result<MeasuredPlace> MeasuredPlaceOf(const VisitMeasurement& visit, int midi,
                                      const std::string& file) {
  const auto note = std::find_if(visit.notes.begin(), visit.notes.end(),
                                 [&](const auto& candidate) { return candidate.midi == midi; });
  const std::string where = file + ": " + NoteName(midi);
  if (note == visit.notes.end()) return Fail(where + " is not among the notes of this visit");
  const std::optional<MeasuredPlace> at = PlaceOf(*note);
  if (at) return *at;
  return Fail(where +
              " has not lateral offset, height and gap all measured, so there is no place to start "
              "from; measure it again");
}

int WhatIf(const WhatIfOptions& options) {
  CheckUsage(options);
  const int midi = NoteOption("--note", options.note);
  const Result<VisitInput> input = ReadVisitInput(options.input);
  if (!input) return FailWith(input.error());
  const NoteProfile* target = input->profile.Find(midi);
  if (target == nullptr) {
    return FailWith({NoteName(midi) + " is outside the compass of the instrument profile"});
  }
  const Result<MeasuredPlace> now = MeasuredPlaceOf(input->measurement, midi, options.input.file);
  if (!now) return FailWith(now.error());

  const ToneProfile& tone = input->profile.tone;
  MeasuredPlace then = *now;
  then.place = {options.lateral_mm.value_or(now->place.lateral_mm),
                options.height_mm.value_or(now->place.height_mm),
                options.gap_mm.value_or(now->place.gap_mm)};
  std::string text =
      WhatIfText(PredictNoteTone(*target, tone, *now), PredictNoteTone(*target, tone, then),
                 PredictToneChange(*target, tone, *now, then.place), tone, !TerminalIsUtf8());
  if (!options.wav_folder.empty()) {
    const auto files =
        WritePredictedSounds(options.wav_folder, *target, tone, {now->place, then.place});
    if (!files) return FailWith(files.error());
    text += "\nTo listen to (predictions; a soft, a medium and a hard stroke):\n";
    for (const auto& file : *files) text += "  " + file.string() + '\n';
  }
  return PrintText(text);
}

}  // namespace

void AddWhatIfCommand(CLI::App& app, int& exit_status) {
  auto options = std::make_shared<WhatIfOptions>();
  CLI::App* command =
      app.add_subcommand("what-if", "Predict what moving one tine does to its sound");
  AddVisitInputOptions(*command, options->input);
  command->add_option("--note", options->note, "the note, like F#1")
      ->required()
      ->option_text("NOTE");
  const auto place = [&](const char* name, std::optional<double>& value, const char* help,
                         double low, double high) {
    command->add_option(name, value, help)->check(NumberBetween(low, high))->option_text("MM");
  };
  place("--lateral", options->lateral_mm, "lateral offset to try, + toward treble", -20.0, 20.0);
  place("--height", options->height_mm, "height to try, + above the pickup's center", -20.0, 20.0);
  place("--gap", options->gap_mm, "gap to try", 0.1, 20.0);
  command->add_option("--wav", options->wav_folder, "write both as sound files to listen to")
      ->option_text("DIR");
  command->callback([options, &exit_status] { exit_status = WhatIf(*options); });
}

}  // namespace tinesight
