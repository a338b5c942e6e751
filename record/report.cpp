#include "record/report.hpp"

#include <algorithm>
#include <set>

#include "record/note_group.hpp"
#include "record/note_text.hpp"
#include "record/report_sections.hpp"
#include "record/safe_name.hpp"
#include "record/text_util.hpp"

namespace tinesight {
namespace {

constexpr int kCardPicture_px = 440;  // 240 dpi at the size of a card's photo

ReportContext ContextOf(const ServiceRecord& record, const Visit& visit) {
  ReportContext context{record,
                        visit,
                        VisitBefore(record, visit),
                        {},
                        BuildWorkList(record, visit, ToneOrder(visit)),
                        {},
                        {},
                        {},
                        0};
  if (context.before != nullptr) {
    context.comparison = CompareVisits(record, *context.before, visit);
  }
  for (const NoteMeasurement& note : visit.measurement.notes) {
    const NoteGroup group = GroupOf(note);
    if (group == NoteGroup::kOut) context.needs_work.push_back(&note);
    if (group == NoteGroup::kUncertain) context.uncertain.push_back(&note);
  }
  std::stable_sort(context.needs_work.begin(), context.needs_work.end(),
                   [&](const NoteMeasurement* a, const NoteMeasurement* b) {
                     return Badness(*a, &visit.profile) > Badness(*b, &visit.profile);
                   });
  context.cards = std::min(kMaxReportCards, context.needs_work.size() + context.uncertain.size());
  return context;
}

std::set<int> NotesWithCards(const ReportContext& context) {
  std::set<int> midi;
  for (const auto* list : {&context.needs_work, &context.uncertain}) {
    for (const NoteMeasurement* note : *list) {
      if (midi.size() < context.cards) midi.insert(note->midi);
    }
  }
  return midi;
}

void Compose(PageFlow& flow, const ReportContext& context) {
  AddSummary(flow, context);
  AddChart(flow, context);
  AddTone(flow, context);
  AddNoteCards(flow, context);
  AddWork(flow, context);
  AddFindings(flow, context);
  AddSpringMap(flow, context);
  AddAllNotes(flow, context);
  AddPhotos(flow, context);
  AddMethod(flow, context);
  AddCautions(flow);
}

PageSetup SetupOf(const ReportContext& context, PaperSize paper) {
  const std::string instrument = CleanText(context.visit.instrument);
  const std::string visit = CleanText(context.visit.name);
  PageSetup setup;
  setup.paper = paper;
  setup.title = "Alignment report: " + (instrument.empty() ? "" : instrument + ", ") + visit;
  setup.running_head = setup.title;
  return setup;
}

}  // namespace

const Visit* VisitBefore(const ServiceRecord& record, const Visit& visit) {
  const Visit* before = nullptr;
  for (const Visit& other : record.visits) {
    if (other.id == visit.id) break;
    if (other.kind == VisitKind::kAsFound || before == nullptr) before = &other;
  }
  return before;
}

Result<Report> BuildReport(const ServiceRecord& record, const Visit& visit, PaperSize paper) {
  ReportContext context = ContextOf(record, visit);
  context.pictures = CollectNotePictures(record, visit, NotesWithCards(context), kCardPicture_px);
  PageSetup setup = SetupOf(context, paper);
  // Once to learn how many pages it has, once to write that number on each.
  {
    PageFlow draft(setup);
    Compose(draft, context);
    setup.total_pages = draft.Pages();
  }
  PageFlow flow(setup);
  Compose(flow, context);
  Result<std::string> pdf = flow.Finish();
  if (!pdf) return tl::unexpected(pdf.error());
  return Report{std::move(*pdf), context.pictures.trouble};
}

std::filesystem::path ReportFileName(const ServiceRecord& record, const Visit& visit) {
  return record.file.parent_path() /
         (record.file.stem().string() + "_" + SafeFileName(visit.name) + "_report.pdf");
}

}  // namespace tinesight
