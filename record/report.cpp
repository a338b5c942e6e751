#include "record/report.hpp"

#include <algorithm>
#include <cmath>
#include <set>

#include "record/note_group.hpp"
#include "record/note_text.hpp"
#include "record/report_sections.hpp"
#include "record/safe_name.hpp"
#include "record/text_util.hpp"

namespace tinesight {
namespace {

constexpr int kCardPicture_px = 440;  // 240 dpi at the size of a card's photo

// How far an undecided note may be off, in tolerances.
double Suspicious(const NoteMeasurement& note, const InstrumentProfile& profile) {
  const NoteProfile* target = profile.Find(note.midi);
  const double tolerance_mm = target != nullptr ? target->tolerance_lateral_mm : 1.0;
  return std::abs(note.lateral_mm->value) / tolerance_mm;
}

ReportContext ContextOf(const ServiceRecord& record, const Visit& visit) {
  ReportContext context{.record = record,
                        .visit = visit,
                        .before = VisitBefore(record, visit),
                        .comparison = {},
                        .work = BuildWorkList(record, visit, ToneOrder(visit)),
                        .tone = Evenness(visit.measurement, visit.profile),
                        .needs_work = {},
                        .uncertain = {},
                        .pictures = {},
                        .attached = CollectAttachedPictures(record, visit)};
  if (context.before != nullptr) {
    context.comparison = CompareVisits(record, *context.before, visit);
  }
  for (const NoteMeasurement& note : visit.measurement.notes) {
    const NoteGroup group = GroupOf(note);
    if (group == NoteGroup::kOut) context.needs_work.push_back(&note);
    if (group == NoteGroup::kUncertain) context.uncertain.push_back(&note);
  }
  const auto sort_by = [&](std::vector<const NoteMeasurement*>& notes, const auto& badness) {
    std::stable_sort(notes.begin(), notes.end(),
                     [&](const NoteMeasurement* a, const NoteMeasurement* b) {
                       return badness(*a) > badness(*b);
                     });
  };
  sort_by(context.needs_work,
          [&](const NoteMeasurement& note) { return Badness(note, &visit.profile); });
  sort_by(context.uncertain,
          [&](const NoteMeasurement& note) { return Suspicious(note, visit.profile); });
  context.work_cards = std::min(kMaxReportCards, context.needs_work.size());
  context.uncertain_cards = std::min(
      {kMaxUncertainCards, kMaxReportCards - context.work_cards, context.uncertain.size()});
  return context;
}

std::set<int> NotesWithCards(const ReportContext& context) {
  std::set<int> midi;
  for (std::size_t i = 0; i < context.work_cards; ++i) midi.insert(context.needs_work[i]->midi);
  for (std::size_t i = 0; i < context.uncertain_cards; ++i) {
    midi.insert(context.uncertain[i]->midi);
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
  AddAttachments(flow, context);
  AddAllNotes(flow, context);
  AddToneFigures(flow, context);
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
