#include <iostream>
#include <memory>
#include <string>

#include "alignment/profile.hpp"
#include "app/commands.hpp"
#include "app/output_check.hpp"
#include "app/visit_input.hpp"
#include "calibration/file_io.hpp"
#include "record/tone_table.hpp"

namespace tinesight {
namespace {

struct ToneOptions {
  std::string visit_file;
  std::string visit;
  std::string instrument;
  std::string json;
  double second_mode = 0.0;
};

int Tone(const ToneOptions& options, bool has_second_mode) {
  const Result<VisitMeasurement> visit = ReadVisit(options.visit_file, options.visit);
  if (!visit) return FailWith(visit.error());
  Result<InstrumentProfile> profile = ReadInstrumentProfile(options.instrument);
  if (!profile) return FailWith(profile.error());
  if (has_second_mode) profile->tone.second_mode_share = options.second_mode;
  if (!options.json.empty()) {
    const auto written = WriteFileAtomically(options.json, ToneJson(*visit, *profile));
    if (!written) return FailWith(written.error());
  }
  std::cout << ToneTable(*visit, *profile, !TerminalIsUtf8()) << std::flush;
  if (!std::cout) return FailWith({"the table could not be written to the standard output"});
  return kExitOk;
}

}  // namespace

void AddToneCommand(CLI::App& app, int& exit_status) {
  auto options = std::make_shared<ToneOptions>();
  CLI::App* command = app.add_subcommand(
      "tone", "Predict which notes will be heard to stick out, and where to set them");
  command->add_option("visit", options->visit_file, "result of `measure --json`, or service record")
      ->required()
      ->option_text("RESULT.json|FILE.tinerec");
  command->add_option("--visit", options->visit, "visit of the record; the newest if not given")
      ->option_text("NAME");
  command->add_option("--instrument", options->instrument, "instrument profile")
      ->required()
      ->option_text("FILE");
  command->add_option("--json", options->json, "write the figures as JSON")->option_text("FILE");
  const CLI::Option* second_mode =
      command
          ->add_option("--second-mode", options->second_mode,
                       "amplitude of the tine's second mode, of the first's (0 to 0.5)")
          ->check(CLI::Range(0.0, 0.5))
          ->option_text("SHARE");
  command->callback([options, second_mode, &exit_status] {
    exit_status = Tone(*options, second_mode->count() > 0);
  });
}

}  // namespace tinesight
