// The report's part on the single notes: cards with pictures, and the table of all of them.
#include <algorithm>
#include <cmath>

#include "record/note_card.hpp"
#include "record/note_group.hpp"
#include "record/note_text.hpp"
#include "record/report_sections.hpp"
#include "record/text_util.hpp"

namespace tinesight {
namespace {

std::string ReviewText(const Review& review) {
  std::string text = "Technician";
  if (!review.stamp.technician.empty()) text += " " + review.stamp.technician;
  switch (review.state) {
    case ReviewState::kAccepted:
      text += ": figures accepted";
      break;
    case ReviewState::kRejected:
      text += ": figures rejected";
      break;
    case ReviewState::kNeedsPhoto:
      text += ": needs another photo";
      break;
    case ReviewState::kNone:
      break;
  }
  return review.text.empty() ? text : text + ": " + review.text;
}

std::vector<std::string> RemarksOn(const ReportContext& context, int midi) {
  std::vector<std::string> remarks;
  if (const Review* review = context.record.ReviewOf(context.visit.id, midi)) {
    remarks.push_back(CleanText(ReviewText(*review)));
  }
  for (const WorkDone& work : context.record.work_done) {
    if (work.midi == midi) remarks.push_back("Work done: " + CleanText(work.text));
  }
  for (const Finding& finding : context.record.findings) {
    if (finding.midi == midi) remarks.push_back("Found: " + CleanText(FindingText(finding)));
  }
  return remarks;
}

NoteCard CardOf(const ReportContext& context, const NoteMeasurement& note) {
  NoteCard card;
  card.note = &note;
  card.before = context.Before(note.midi);
  card.target = context.visit.profile.Find(note.midi);
  if (context.before != nullptr) card.before_name = CleanText(context.before->name);
  const auto jpeg = context.pictures.jpeg.find(note.midi);
  if (jpeg != context.pictures.jpeg.end()) card.picture_jpeg = jpeg->second;
  const auto missing = context.pictures.missing.find(note.midi);
  if (missing != context.pictures.missing.end()) card.no_picture = missing->second;
  card.remarks = RemarksOn(context, note.midi);
  return card;
}

void AddCards(PageFlow& flow, const ReportContext& context,
              const std::vector<const NoteMeasurement*>& notes, std::size_t count) {
  for (std::size_t i = 0; i < std::min(count, notes.size()); ++i) {
    const NoteCard card = CardOf(context, *notes[i]);
    flow.Block(NoteCardHeight(flow.Draw(), flow.Width(), card),
               [&](Drawing& drawing, const Rect& box) { DrawNoteCard(drawing, box, card); });
    flow.Gap(7.0);
  }
}

TableCell FigureCell(const std::optional<Measured>& measured, Verdict verdict) {
  return {PlusMinusText(measured), false, measured ? std::optional(verdict) : std::nullopt};
}

bool AnyLift(const VisitMeasurement& visit) {
  return std::any_of(visit.notes.begin(), visit.notes.end(),
                     [](const NoteMeasurement& note) { return note.damper_lift_mm.has_value(); });
}

void AddReasons(PageFlow& flow, const VisitMeasurement& visit) {
  std::vector<std::pair<std::string, std::string>> reasons;
  for (const NoteMeasurement& note : visit.notes) {
    if (!note.reason.empty()) reasons.emplace_back(note.name, note.reason);
  }
  if (reasons.empty()) return;
  flow.Subheading("Why a figure is uncertain or missing, and what would settle it");
  AddItemsByText(flow, reasons);
}

}  // namespace

void AddItemsByText(PageFlow& flow,
                    const std::vector<std::pair<std::string, std::string>>& named_texts) {
  std::vector<std::pair<std::string, std::vector<std::string>>> names_of_text;
  for (const auto& named : named_texts) {
    const auto same = std::find_if(names_of_text.begin(), names_of_text.end(),
                                   [&](const auto& entry) { return entry.first == named.second; });
    if (same == names_of_text.end()) {
      names_of_text.push_back({named.second, {named.first}});
    } else {
      same->second.push_back(named.first);
    }
  }
  for (const auto& [text, names] : names_of_text) {
    flow.Item(CleanText(JoinedNames(names) + ": " + text));
  }
}

void AddNoteCards(PageFlow& flow, const ReportContext& context) {
  if (context.work_cards + context.uncertain_cards == 0) return;
  const Font small{8.2, false, false, kDarkGray, TextAlign::kLeft};
  const NoteMeasurement& first =
      context.needs_work.empty() ? *context.uncertain.front() : *context.needs_work.front();
  const double card = NoteCardHeight(flow.Draw(), flow.Width(), CardOf(context, first));
  flow.Heading(context.needs_work.empty() ? "Notes that the photos can't decide"
                                          : "Notes that need work, worst first",
               card + 50.0);
  flow.Paragraph(
      "Left: the note in the photo, seen from the mounts with the harp raised; solid line: the "
      "tine "
      "as found; dashed: where it should point; ring: the pole tip; white arrow: the lateral "
      "offset, five times enlarged. Right: the cross-section at the pickup, to scale: gray disc: "
      "pole tip; thick circle: tine; thin ellipse: ± U (k = 2); dashed box: tolerance of the "
      "tine's center" +
          std::string(context.before != nullptr
                          ? "; dashed circle: tine at the visit compared with."
                          : "."),
      small);
  AddCards(flow, context, context.needs_work, context.work_cards);
  if (context.uncertain_cards > 0 && context.work_cards > 0) {
    flow.Heading(
        "Notes that the photos can't decide",
        NoteCardHeight(flow.Draw(), flow.Width(), CardOf(context, *context.uncertain.front())));
  }
  AddCards(flow, context, context.uncertain, context.uncertain_cards);
  const std::size_t shown = context.work_cards + context.uncertain_cards;
  const std::size_t all = context.needs_work.size() + context.uncertain.size();
  if (shown < all) {
    flow.Paragraph("To keep the report short, pictures are shown of " + std::to_string(shown) +
                   " notes, the farthest off first. The figures of the other " +
                   std::to_string(all - shown) +
                   " are in the table of all notes, and a picture of each note can be had as an "
                   "alignment image.");
  }
}

void AddAllNotes(PageFlow& flow, const ReportContext& context) {
  const VisitMeasurement& visit = context.visit.measurement;
  if (visit.notes.empty()) return;
  const bool lift = AnyLift(visit);
  flow.Heading("Table of all notes", 80.0);
  Table table;
  table.columns = {{"Note", 0.6, TextAlign::kLeft}};
  // Beside the figures of a second visit there is no room for the yaw; CSV and JSON have it.
  const bool yaw = context.before == nullptr;
  if (context.before != nullptr) {
    table.columns.push_back(
        {"Lateral, mm, " + CleanText(context.before->name), 1.35, TextAlign::kLeft});
  }
  table.columns.push_back({"Lateral, mm", 1.35, TextAlign::kLeft});
  table.columns.push_back({"Height, mm", 1.3, TextAlign::kLeft});
  table.columns.push_back({"Gap, mm", 1.25, TextAlign::kLeft});
  if (yaw) table.columns.push_back({"Yaw, degrees", 1.15, TextAlign::kLeft});
  if (lift) table.columns.push_back({"Damper lift, mm", 1.1, TextAlign::kLeft});
  table.columns.push_back({"Verdict", lift ? 1.75 : 2.3, TextAlign::kLeft});
  for (const NoteMeasurement& note : visit.notes) {
    std::vector<TableCell> row{{note.name, true, std::nullopt}};
    if (context.before != nullptr) {
      const NoteMeasurement* before = context.Before(note.midi);
      row.push_back(before != nullptr ? FigureCell(before->lateral_mm, before->lateral_verdict)
                                      : TableCell{"–", false, std::nullopt});
    }
    row.push_back(FigureCell(note.lateral_mm, note.lateral_verdict));
    row.push_back(FigureCell(note.height_mm, note.height_verdict));
    row.push_back(FigureCell(note.gap_mm, note.gap_verdict));
    if (yaw) row.push_back({PlusMinusText(note.yaw_deg), false, std::nullopt});
    if (lift) row.push_back({PlusMinusText(note.damper_lift_mm), false, std::nullopt});
    row.push_back({VerdictPhrase(note), false, std::nullopt});
    table.rows.push_back(std::move(row));
  }
  flow.AddTable(table);
  flow.Paragraph(
      "Lateral offset: + toward treble, - toward bass. Height: + above the pickup's center. "
      "A dash: not measured.");
  if (lift) {
    flow.Paragraph(
        "Damper lift: how far the resting damper pushes the tine up; height is judged without it.");
  }
  AddReasons(flow, visit);
}

}  // namespace tinesight
