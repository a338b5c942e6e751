#include <CLI/CLI.hpp>
#include <algorithm>
#include <exception>
#include <iostream>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

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

bool IsBlank(std::string_view word) {
  return word.find_first_not_of(" \t\r\n") == std::string_view::npos;
}

/// What is wrong with the first word that says nothing, as where a variable of the shell is not
/// set. A blank value would pass for one that isn't given; and for that of "--json=" CLI11 would
/// take the next word, and write over the photo that it names.
std::optional<std::string> BlankWord(const std::vector<std::string>& words) {
  bool options = true;
  std::string before;
  for (const std::string& word : words) {
    if (IsBlank(word)) {
      if (before.empty()) return "the command's name is blank";
      if (options && before.starts_with("-")) return before + ": is blank; give it a value";
      return "the word after " + before + " is blank; give it a value or leave it out";
    }
    if (word == "--") options = false;
    const std::size_t value = word.find('=') + 1;  // 0: there is none
    if (options && word.starts_with("--") && value > 0 && IsBlank(word.substr(value))) {
      return word.substr(0, value) + " is followed by no value";
    }
    before = word;
  }
  return std::nullopt;
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

  if (const auto wrong = BlankWord({argv + std::min(argc, 1), argv + argc})) {
    PrintFailure(*wrong + " (see tinesight --help)");
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
