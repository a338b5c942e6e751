#include <CLI/CLI.hpp>
#include <exception>
#include <iostream>
#include <string>

#include "app/commands.hpp"
#include "record/text_util.hpp"

namespace tinesight {

void PrintFailure(const std::string& message) {
  // Names from a record or a folder may hold line breaks and escape sequences.
  std::cerr << "tinesight: " << CleanText(message) << '\n';
}

int FailWith(const Error& error) {
  PrintFailure(error.message);
  return kExitFailure;
}

namespace {

// The subcommand that was being parsed, so that the hint names the help that helps.
std::string HelpHint(const CLI::App& app) {
  const auto chosen = app.get_subcommands();
  return "tinesight " + (chosen.empty() ? "" : chosen.front()->get_name() + " ") + "--help";
}

int Run(int argc, char** argv) {
  CLI::App app{"Tinesight measures the tines of a tine piano from phone photos."};
  app.name("tinesight");
  app.set_version_flag("--version", std::string("tinesight ") + TINESIGHT_VERSION);
  app.require_subcommand(1);

  int exit_status = kExitOk;
  AddStripsCommand(app, exit_status);
  AddCalibrateCommand(app, exit_status);
  AddMeasureCommand(app, exit_status);
  AddNoteCommand(app, exit_status);
  AddWorklistCommand(app, exit_status);
  AddCompareCommand(app, exit_status);
  AddReportCommand(app, exit_status);
  AddExportCommand(app, exit_status);
  AddToneCommand(app, exit_status);
  AddWhatIfCommand(app, exit_status);
  AddViewCommand(app, exit_status);

  try {
    app.parse(argc, argv);
  } catch (const CLI::ParseError& error) {
    if (error.get_exit_code() == static_cast<int>(CLI::ExitCodes::Success)) {
      return app.exit(error);  // --help and --version print and end
    }
    PrintFailure(std::string(error.what()) + " (see " + HelpHint(app) + ")");
    return kExitUsage;
  }
  return exit_status;
}

}  // namespace
}  // namespace tinesight

int main(int argc, char** argv) {
  try {
    return tinesight::Run(argc, argv);
  } catch (const std::exception& error) {
    tinesight::PrintFailure(std::string("stopped by an unexpected failure: ") + error.what());
    return tinesight::kExitFailure;
  }
}
