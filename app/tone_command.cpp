#include <memory>
#include <optional>
#include <string>

#include "app/commands.hpp"
#include "app/option_checks.hpp"
#include "app/output_check.hpp"
#include "app/record_options.hpp"
#include "app/visit_input.hpp"
#include "calibration/file_io.hpp"
#include "record/tone_table.hpp"

namespace tinesight {
namespace {

struct ToneOptions {
  VisitInputOptions input;
  std::string json;
  std::optional<double> second_mode;
};

int Tone(const ToneOptions& options) {
  Result<VisitInput> input = ReadVisitInput(options.input);
  if (!input) return FailWith(input.error());
  InstrumentProfile& profile = input->profile;
  if (options.second_mode) profile.tone.second_mode_share = *options.second_mode;
  if (!options.json.empty()) {
    const auto written = WriteFileAtomically(options.json, ToneJson(input->measurement, profile));
    if (!written) return FailWith(written.error());
  }
  return PrintText(ToneTable(input->measurement, profile, !TerminalIsUtf8()));
}

}  // namespace

void AddToneCommand(CLI::App& app, int& exit_status) {
  auto options = std::make_shared<ToneOptions>();
  CLI::App* command = app.add_subcommand(
      "tone", "Predict which notes will be heard to stick out, and where to set them");
  AddVisitInputOptions(*command, options->input);
  command->add_option("--json", options->json, "write the figures as JSON")->option_text("FILE");
  command
      ->add_option("--second-mode", options->second_mode,
                   "amplitude of the tine's second mode, of the first's (0 to 0.5)")
      ->check(NumberBetween(0.0, 0.5))
      ->option_text("SHARE");
  command->callback([options, &exit_status] { exit_status = Tone(*options); });
}

}  // namespace tinesight
