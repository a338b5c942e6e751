#include <CLI/CLI.hpp>
#include <exception>
#include <iostream>
#include <string>
#include <string_view>

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

// CLI11 complains of what is missing before what it did not understand, which mostly is the cause.
std::string Complaint(const CLI::App& app, const CLI::ParseError& error) {
  if (dynamic_cast<const CLI::RequiredError*>(&error) != nullptr) {
    for (const std::string& word : app.remaining(true)) {
      if (word == "--") continue;
      if (app.get_subcommands().empty() && !word.starts_with("-")) {
        return word + " is no command; tinesight --help lists them";
      }
      return "The following argument was not expected: " + word + " (see " + HelpHint(app) + ")";
    }
  }
  return std::string(error.what()) + " (see " + HelpHint(app) + ")";
}

// "--json=", as of a shell variable that is not set: CLI11 would take the next word for the value,
// and write over the photo that it names.
const char* OptionWithoutValue(int argc, char** argv) {
  for (int i = 1; i < argc; ++i) {
    const std::string_view word = argv[i];
    if (word == "--") break;
    if (word.starts_with("--") && word.find('=') == word.size() - 1) return argv[i];
  }
  return nullptr;
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

  if (const char* option = OptionWithoutValue(argc, argv)) {
    PrintFailure(std::string(option) + " is followed by no value (see tinesight --help)");
    return kExitUsage;
  }
  try {
    app.parse(argc, argv);
  } catch (const CLI::ParseError& error) {
    if (error.get_exit_code() == static_cast<int>(CLI::ExitCodes::Success)) {
      return app.exit(error);  // --help and --version print and end
    }
    PrintFailure(Complaint(app, error));
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
