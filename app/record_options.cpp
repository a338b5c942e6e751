#include "app/record_options.hpp"

#include <langinfo.h>

#include <clocale>
#include <filesystem>
#include <iostream>

#include "alignment/note_name.hpp"
#include "app/commands.hpp"
#include "app/option_checks.hpp"

namespace tinesight {

void AddStampOptions(CLI::App& command, EntryStamp& stamp) {
  command.add_option("--technician", stamp.technician, "initials of who did it")
      ->option_text("INITIALS")
      ->check(PlainName());
  command.add_option("--date", stamp.date, "day, like 2024-05-02; today if not given")
      ->option_text("DAY");
}

void CheckStampUsage(const EntryStamp& stamp) {
  if (stamp.date.empty() || IsDay(stamp.date)) return;
  throw CLI::ValidationError("--date " + stamp.date + ": is no day; write it like 2024-05-02");
}

int NoteOption(const std::string& option, const std::string& name) {
  const std::optional<int> midi = ParseNoteName(name);
  if (midi) return *midi;
  throw CLI::ValidationError(option + " " + name + ": is no note name; write it like E1 or F#3");
}

bool IsRecordName(const std::string& file) {
  return std::filesystem::path(file).extension() == ".tinerec";
}

Result<const Visit*> FindVisitNamed(const ServiceRecord& record, const std::string& name) {
  if (const Visit* visit = record.FindVisit(name)) return visit;
  std::string names;
  for (const Visit& visit : record.visits) {
    names += (names.empty() ? "\"" : ", \"") + visit.name + "\"";
  }
  return Fail(record.file.string() + ": has no visit named \"" + name + "\"; " +
              (names.empty() ? "it has none yet" : "it has " + names));
}

int PrintText(const std::string& text) {
  std::cout << text << std::flush;
  if (std::cout) return kExitOk;
  return FailWith({"the text could not be written to the standard output"});
}

bool TerminalIsUtf8() {
  std::setlocale(LC_CTYPE, "");
  return std::string(nl_langinfo(CODESET)) == "UTF-8";
}

}  // namespace tinesight
