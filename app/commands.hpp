#pragma once

#include <CLI/CLI.hpp>
#include <string>

#include "calibration/error.hpp"

namespace tinesight {

/// Exit statuses of the `tinesight` command.
inline constexpr int kExitOk = 0;
inline constexpr int kExitFailure = 1;  ///< bad input or a failed job: one line on stderr
inline constexpr int kExitUsage = 2;    ///< wrong usage: one line on stderr

/// Prints "tinesight: MESSAGE" on stderr, as every failure of the command is told.
void PrintFailure(const std::string& message);

/// The same for an expected failure; gives the exit status to return.
[[nodiscard]] int FailWith(const Error& error);

// One function a subcommand, each in its own file. It adds the subcommand and its options to `app`
// and a callback that does the job when the subcommand was chosen and stores its exit status in
// `exit_status`. Both arguments must outlive the parse. A wrong option value that only the
// callback can see is told by throwing CLI::ValidationError (exit status 2).
void AddStripsCommand(CLI::App& app, int& exit_status);
void AddMeasureCommand(CLI::App& app, int& exit_status);
void AddExportCommand(CLI::App& app, int& exit_status);
void AddReportCommand(CLI::App& app, int& exit_status);
void AddCalibrateCommand(CLI::App& app, int& exit_status);
void AddViewCommand(CLI::App& app, int& exit_status);
void AddNoteCommand(CLI::App& app, int& exit_status);
void AddWorklistCommand(CLI::App& app, int& exit_status);
void AddCompareCommand(CLI::App& app, int& exit_status);
void AddToneCommand(CLI::App& app, int& exit_status);
void AddWhatIfCommand(CLI::App& app, int& exit_status);

}  // namespace tinesight
