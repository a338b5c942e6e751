#include <memory>
#include <string>
#include <vector>

#include "alignment/note_name.hpp"
#include "app/commands.hpp"
#include "app/output_check.hpp"
#include "app/record_options.hpp"
#include "calibration/file_io.hpp"
#include "record/work_list.hpp"

namespace tinesight {
namespace {

struct WorklistOptions {
  std::string record;
  std::string visit;
  std::vector<std::string> done;
  std::vector<std::string> reopen;
  std::string task;
  EntryStamp stamp;
  std::string json;
};

// The newest "as found" asks for the work; without one, the newest visit of all.
Result<const Visit*> ChosenVisit(const ServiceRecord& record, const std::string& name) {
  if (!name.empty()) return FindVisitNamed(record, name);
  if (record.visits.empty()) {
    return Fail(record.file.string() + ": has no visit yet; `tinesight measure --record` adds one");
  }
  const Visit* as_found = record.LatestOf(VisitKind::kAsFound);
  return as_found != nullptr ? as_found : &record.visits.back();
}

Result<void> AddTicks(const WorkList& list, std::int64_t visit_id, const std::string& name,
                      bool done, const WorklistOptions& options, std::vector<WorkTick>& ticks) {
  const int midi = NoteOption(done ? "--done" : "--reopen", name);
  const std::size_t before = ticks.size();
  for (const WorkItem& item : list.items) {
    if (item.midi != midi) continue;
    if (!options.task.empty() && TaskWord(item.step.task) != options.task) continue;
    ticks.push_back({0, visit_id, midi, item.step.task, done, options.stamp});
  }
  if (ticks.size() > before) return {};
  return Fail("the work list of \"" + list.visit + "\" has nothing " +
              (options.task.empty() ? "" : "of the task " + options.task + " ") + "to do at " +
              NoteName(midi));
}

void CheckUsage(const WorklistOptions& options) {
  CheckStampUsage(options.stamp);
  if (!options.task.empty() && !TaskFromWord(options.task)) {
    throw CLI::ValidationError("--task " + options.task +
                               ": choose slide-pickup, square-bar, turn-tine, turn-either, "
                               "both-screws, forward-screw or gap");
  }
  for (const std::string& name : options.done) (void)NoteOption("--done", name);
  for (const std::string& name : options.reopen) {
    const int midi = NoteOption("--reopen", name);
    for (const std::string& done : options.done) {
      if (NoteOption("--done", done) == midi) {
        throw CLI::ValidationError(NoteName(midi) + " stands after --done and after --reopen");
      }
    }
  }
}

Result<ServiceRecord> TickedRecord(const WorklistOptions& options, const ServiceRecord& record,
                                   const Visit& visit) {
  const WorkList list = BuildWorkList(record, visit, ToneOrder(visit));
  BenchNotes notes;
  for (const std::string& name : options.done) {
    auto added = AddTicks(list, visit.id, name, true, options, notes.ticks);
    if (!added) return tl::unexpected(added.error());
  }
  for (const std::string& name : options.reopen) {
    auto added = AddTicks(list, visit.id, name, false, options, notes.ticks);
    if (!added) return tl::unexpected(added.error());
  }
  if (auto done = AddBenchNotes(options.record, notes); !done) return tl::unexpected(done.error());
  return ReadServiceRecord(options.record);
}

int Worklist(const WorklistOptions& options) {
  CheckUsage(options);
  if (!options.json.empty()) {
    // Before anything is ticked off: what fails must leave the record as it was.
    if (auto writable = CheckFileWritable(options.json); !writable) {
      return FailWith(writable.error());
    }
  }
  auto record = ReadServiceRecord(options.record);
  if (!record) return FailWith(record.error());
  auto visit = ChosenVisit(*record, options.visit);
  if (!visit) return FailWith(visit.error());
  if (!options.done.empty() || !options.reopen.empty()) {
    const std::int64_t visit_id = (*visit)->id;
    record = TickedRecord(options, *record, **visit);
    if (!record) return FailWith(record.error());
    *visit = record->FindVisit(visit_id);
  }
  const WorkList list = BuildWorkList(*record, **visit, ToneOrder(**visit));
  if (!options.json.empty()) {
    const auto written = WriteFileAtomically(options.json, WorkListJson(list));
    if (!written) return FailWith(written.error());
  }
  return PrintText(WorkListText(list, !TerminalIsUtf8()));
}

}  // namespace

void AddWorklistCommand(CLI::App& app, int& exit_status) {
  auto options = std::make_shared<WorklistOptions>();
  CLI::App* command = app.add_subcommand(
      "worklist", "Say what to do at which note, grouped by the tool in hand, and tick it off");
  command->add_option("record", options->record, "service record")
      ->required()
      ->option_text("FILE.tinerec");
  command->add_option("--visit", options->visit, "visit; the newest \"as found\" if not given")
      ->option_text("NAME");
  command->add_option("--done", options->done, "tick off the work at these notes")
      ->option_text("NOTE...");
  command->add_option("--reopen", options->reopen, "open the work at these notes again")
      ->option_text("NOTE...");
  command->add_option("--task", options->task, "with --done or --reopen: only this task")
      ->option_text("TASK");
  AddStampOptions(*command, options->stamp);
  command->add_option("--json", options->json, "write the list as JSON")->option_text("FILE");
  command->callback([options, &exit_status] { exit_status = Worklist(*options); });
}

}  // namespace tinesight
