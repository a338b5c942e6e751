// The report's part on the service: work done and still to do, findings, spring map.
#include <algorithm>

#include "alignment/note_name.hpp"
#include "record/note_text.hpp"
#include "record/report_sections.hpp"
#include "record/text_util.hpp"

namespace tinesight {
namespace {

std::string Who(const EntryStamp& stamp) {
  return stamp.technician.empty() ? stamp.date : stamp.date + ", " + stamp.technician;
}

TableCell Plain(const std::string& text) { return {CleanText(text), false, std::nullopt}; }
TableCell Bold(const std::string& text) { return {CleanText(text), true, std::nullopt}; }

std::string PlaceWord(ScrewPlace place) {
  switch (place) {
    case ScrewPlace::kForward:
      return "forward screw";
    case ScrewPlace::kRear:
      return "rear screw";
    case ScrewPlace::kEither:
      break;
  }
  return "both or either";
}

}  // namespace

void AddWork(PageFlow& flow, const ReportContext& context) {
  Table done;
  done.columns = {{"Date, by", 1.2, TextAlign::kLeft},
                  {"Note", 0.6, TextAlign::kLeft},
                  {"Work done", 4.2, TextAlign::kLeft}};
  for (const WorkDone& work : context.record.work_done) {
    done.rows.push_back(
        {Plain(Who(work.stamp)), Bold(work.midi ? NoteName(*work.midi) : "all"), Plain(work.text)});
  }
  flow.Heading("Work done", 60.0);
  if (done.rows.empty()) {
    flow.Paragraph("No work is entered in the record.");
  } else {
    flow.AddTable(done);
  }
  if (context.work.items.empty()) return;
  flow.Subheading("Work list of this visit: what the photos ask for, and how it stands");
  Table list;
  list.columns = {{"Note", 0.6, TextAlign::kLeft},
                  {"What to do", 3.6, TextAlign::kLeft},
                  {"State", 1.8, TextAlign::kLeft}};
  for (const WorkItem& item : context.work.items) {
    std::string state = WorkStateWord(item.state);
    if (!item.state_reason.empty()) state += ": " + item.state_reason;
    const std::string cause = item.step.cause.empty() ? "" : item.step.cause + ": ";
    list.rows.push_back(
        {Bold(item.name), Plain(Sentence(cause + StepText(item.step, true))), Plain(state)});
  }
  flow.AddTable(list);
}

void AddFindings(PageFlow& flow, const ReportContext& context) {
  Table table;
  table.columns = {{"Note", 0.6, TextAlign::kLeft},
                   {"When", 1.0, TextAlign::kLeft},
                   {"Date, by", 1.2, TextAlign::kLeft},
                   {"Finding", 3.2, TextAlign::kLeft}};
  std::vector<const Finding*> findings;
  for (const Finding& finding : context.record.findings) findings.push_back(&finding);
  std::stable_sort(findings.begin(), findings.end(),
                   [](const Finding* a, const Finding* b) { return a->midi < b->midi; });
  for (const Finding* finding : findings) {
    table.rows.push_back(
        {Bold(NoteName(finding->midi)),
         Plain(finding->stage == WorkStage::kBefore ? "before work" : "after work"),
         Plain(Who(finding->stamp)), Plain(FindingText(*finding))});
  }
  std::vector<std::string> suspicions;
  for (const NoteMeasurement& note : context.visit.measurement.notes) {
    for (const Suspicion& suspicion : note.suspicions) {
      suspicions.push_back(note.name + ": " + suspicion.text);
    }
  }
  flow.Heading("Findings", 60.0);
  if (table.rows.empty()) {
    flow.Paragraph("No finding from the bench is entered in the record.");
  } else {
    flow.AddTable(table);
  }
  if (!suspicions.empty()) {
    flow.Subheading("What the photos alone suggest; look before you trust it");
    for (const std::string& suspicion : suspicions) flow.Item(CleanText(suspicion));
  }
}

void AddSpringMap(PageFlow& flow, const ReportContext& context) {
  const std::vector<SpringMapEntry> map = SpringMap(context.record);
  if (map.empty()) return;
  flow.Heading("Spring map", 80.0);
  flow.Paragraph(
      "Which spring stood where before the instrument was taken apart, and after. Springs voice "
      "the low register and should go back where they were.");
  Table table;
  table.columns = {{"Note", 0.6, TextAlign::kLeft},
                   {"Screw", 1.3, TextAlign::kLeft},
                   {"Before", 1.5, TextAlign::kLeft},
                   {"After", 1.5, TextAlign::kLeft},
                   {"", 1.1, TextAlign::kLeft}};
  for (const SpringMapEntry& entry : map) {
    table.rows.push_back({Bold(NoteName(entry.midi)), Plain(PlaceWord(entry.place)),
                          Plain(entry.before.value_or("–")), Plain(entry.after.value_or("–")),
                          Bold(entry.Differs() ? "≠ differs" : "")});
  }
  flow.AddTable(table);
}

}  // namespace tinesight
