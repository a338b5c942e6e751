#pragma once

// What the subcommands that read or change a service record share.
#include <CLI/CLI.hpp>
#include <string>

#include "calibration/error.hpp"
#include "record/service_record.hpp"

namespace tinesight {

/// `--technician` and `--date`, for the entries of a command.
void AddStampOptions(CLI::App& command, EntryStamp& stamp);
/// Wrong usage where the date is no day.
void CheckStampUsage(const EntryStamp& stamp);

/// MIDI number of a note's name; wrong usage where it is none. `option` names it in the message.
[[nodiscard]] int NoteOption(const std::string& option, const std::string& name);

/// Whether a file's name is that of a service record (.tinerec).
[[nodiscard]] bool IsRecordName(const std::string& file);

/// The visit of a name, or an error that lists the names there are.
[[nodiscard]] Result<const Visit*> FindVisitNamed(const ServiceRecord& record,
                                                  const std::string& name);

/// Prints a text for the terminal, and says where standard output failed. Gives the exit status.
[[nodiscard]] int PrintText(const std::string& text);

/// Whether the terminal understands UTF-8.
[[nodiscard]] bool TerminalIsUtf8();

}  // namespace tinesight
