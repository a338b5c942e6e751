// The report's first page: what was measured, how it stands, and the chart.
#include <algorithm>
#include <array>
#include <utility>

#include "record/keyboard_chart.hpp"
#include "record/note_group.hpp"
#include "record/note_text.hpp"
#include "record/report_sections.hpp"
#include "record/text_util.hpp"

namespace tinesight {
namespace {

const Font kTitleFont{19.0, true, false, kBlack, TextAlign::kLeft};
const Font kFactFont{8.5, false, false, kBlack, TextAlign::kLeft};
const Font kFactNameFont{8.5, true, false, kDarkGray, TextAlign::kLeft};

std::string VisitText(const Visit& visit) {
  std::string text = "\"" + visit.name + "\"";
  if (!visit.date.empty()) text += ", " + LongDate(visit.date);
  if (!visit.technician.empty()) text += ", technician " + visit.technician;
  return CleanText(text);
}

// Two columns of facts, as far as they are known.
void AddFacts(PageFlow& flow, const ReportContext& context) {
  const InstrumentInfo& info = context.record.instrument;
  std::vector<std::pair<std::string, std::string>> facts;
  const auto add = [&](const char* name, const std::string& value) {
    if (!value.empty()) facts.emplace_back(name, CleanText(value));
  };
  add("Instrument", info.type.empty() ? context.visit.instrument : info.type);
  add("Compass", info.compass);
  add("Serial number", info.serial);
  add("Owner", info.owner);
  add("Visit", VisitText(context.visit));
  if (context.before != nullptr) add("Compared with", VisitText(*context.before));
  constexpr double kNameWidth = 90.0;
  for (const auto& fact : facts) {
    const std::string& name = fact.first;
    const std::string& value = fact.second;
    const double width = flow.Width() - kNameWidth;
    const double height = flow.Draw().TextHeight(value, width, kFactFont, 3);
    flow.Block(height + 1.0, [&](Drawing& drawing, const Rect& box) {
      drawing.Text(name, {box.left, box.top}, kNameWidth, kFactNameFont);
      drawing.Text(value, {box.left + kNameWidth, box.top}, width, kFactFont, 3);
    });
  }
  flow.Gap(6.0);
}

using VerdictOf = Verdict NoteMeasurement::*;

std::size_t Count(const VisitMeasurement& visit, VerdictOf of, Verdict verdict) {
  return static_cast<std::size_t>(
      std::count_if(visit.notes.begin(), visit.notes.end(),
                    [&](const NoteMeasurement& note) { return note.*of == verdict; }));
}

// How many of the notes of this visit had it before: the others were not looked at again.
std::size_t CountBefore(const ReportContext& context, VerdictOf of, Verdict verdict) {
  const auto& notes = context.visit.measurement.notes;
  return static_cast<std::size_t>(
      std::count_if(notes.begin(), notes.end(), [&](const NoteMeasurement& note) {
        const NoteMeasurement* before = context.Before(note.midi);
        return (before != nullptr ? before->*of : Verdict::kNotMeasured) == verdict;
      }));
}

// How many notes have which verdict; where there are two visits, how many had it before.
void AddCounts(PageFlow& flow, const ReportContext& context) {
  const auto cell = [&](VerdictOf of, Verdict verdict) {
    std::string text = std::to_string(Count(context.visit.measurement, of, verdict));
    if (context.before != nullptr) {
      text = std::to_string(CountBefore(context, of, verdict)) + " → " + text;
    }
    return TableCell{text, false, verdict};
  };
  Table table;
  table.columns = {{context.before != nullptr ? "Notes, before → now" : "Number of notes", 2.2,
                    TextAlign::kLeft},
                   {"centered / in range", 1.5, TextAlign::kLeft},
                   {"re-center / adjust", 1.5, TextAlign::kLeft},
                   {"uncertain", 1.2, TextAlign::kLeft},
                   {"not measured", 1.2, TextAlign::kLeft}};
  const std::array<std::pair<const char*, VerdictOf>, 3> rows{
      {{"Sideways (lateral offset)", &NoteMeasurement::lateral_verdict},
       {"Height", &NoteMeasurement::height_verdict},
       {"Gap to the pickup", &NoteMeasurement::gap_verdict}}};
  for (const auto& [name, of] : rows) {
    table.rows.push_back({{name, true, std::nullopt},
                          cell(of, Verdict::kInTolerance),
                          cell(of, Verdict::kOutOfTolerance),
                          cell(of, Verdict::kUncertain),
                          cell(of, Verdict::kNotMeasured)});
  }
  flow.AddTable(table);
}

std::vector<std::string> NamesOf(const std::vector<const NoteMeasurement*>& notes) {
  std::vector<std::string> names;
  names.reserve(notes.size());
  for (const NoteMeasurement* note : notes) names.push_back(note->name);
  return names;
}

std::string NeedsWorkText(const ReportContext& context) {
  if (context.needs_work.empty()) {
    return "No note was found out of tolerance.";
  }
  return Counted(context.needs_work.size(), "note needs work: ", "notes need work, worst first: ") +
         JoinedNames(NamesOf(context.needs_work)) + ".";
}

std::string UncertainText(const ReportContext& context) {
  if (context.uncertain.empty()) return "";
  // In the order of the keyboard, as the reader looks for them.
  std::vector<const NoteMeasurement*> notes = context.uncertain;
  std::sort(notes.begin(), notes.end(),
            [](const NoteMeasurement* a, const NoteMeasurement* b) { return a->midi < b->midi; });
  return "For " + Counted(notes.size(), "further note", "further notes") +
         " the photos can't decide whether the tine stands within the tolerance sideways: " +
         JoinedNames(NamesOf(notes)) +
         ". That is no fault of the instrument; better photos or a gauge would settle it.";
}

std::string NotMeasuredText(const ReportContext& context) {
  std::vector<std::string> names;
  for (const NoteMeasurement& note : context.visit.measurement.notes) {
    if (!note.lateral_mm) names.push_back(note.name);
  }
  return names.empty() ? "" : "Not measured: " + JoinedNames(names) + ".";
}

std::string HeardText(const ReportContext& context) {
  std::vector<std::string> names;
  for (const NoteEvenness& note : context.tone.notes) {
    if (note.heard == ToneHeard::kYes) names.push_back(note.name);
  }
  if (names.empty()) return "";
  return Counted(names.size(), "note is predicted to stick out to the ear: ",
                 "notes are predicted to stick out to the ear: ") +
         JoinedNames(names) + ".";
}

void AddChange(PageFlow& flow, const ReportContext& context) {
  if (!context.comparison) return;
  std::vector<std::string> improved;
  std::vector<std::string> worse;
  std::vector<std::string> moved;
  std::vector<std::string> open;
  for (const NoteComparison& note : context.comparison->notes) {
    if (note.improved) improved.push_back(note.name);
    if (note.worse) worse.push_back(note.name);
    if (note.moved_untouched) moved.push_back(note.name);
    if (note.open) open.push_back(note.name);
  }
  const std::string since = "Since \"" + CleanText(context.before->name) + "\": ";
  flow.Item(since + (improved.empty()
                         ? "no note improved by more than the uncertainty of both measurements."
                         : Counted(improved.size(), "note", "notes") +
                               " improved by more than the uncertainty of both measurements (" +
                               JoinedNames(improved) + ")."));
  if (!worse.empty()) flow.Item("Farther from the target than before: " + JoinedNames(worse) + ".");
  if (!moved.empty()) {
    flow.Item("Moved though no work on it is recorded: " + JoinedNames(moved) + ".");
  }
  if (!context.comparison->not_again.empty()) {
    flow.Item("Out of tolerance before, and not measured again: " +
              JoinedNames(context.comparison->not_again) + ".");
  }
  flow.Item(open.empty() ? "Nothing that was found out of tolerance is still open."
                         : "Still open: " + JoinedNames(open) + ".");
}

}  // namespace

std::string JoinedNames(const std::vector<std::string>& names) {
  std::string text;
  for (std::size_t i = 0; i < names.size(); ++i) {
    if (i > 0) text += i + 1 == names.size() ? " and " : ", ";
    text += names[i];
  }
  return text;
}

std::string Counted(std::size_t count, const std::string& singular, const std::string& plural) {
  return std::to_string(count) + " " + (count == 1 ? singular : plural);
}

void AddSummary(PageFlow& flow, const ReportContext& context) {
  flow.Block(28.0, [](Drawing& drawing, const Rect& box) {
    drawing.Text("Alignment report", {box.left, box.top}, box.width, kTitleFont);
  });
  AddFacts(flow, context);
  flow.Heading("Summary");
  std::size_t photos = 0;
  std::size_t measured = 0;
  for (const PhotoMeasurement& photo : context.visit.measurement.photos)
    photos += photo.used ? 1 : 0;
  for (const NoteMeasurement& note : context.visit.measurement.notes) {
    measured += note.lateral_mm ? 1 : 0;
  }
  flow.Paragraph(
      "Each note of the instrument sounds from a steel rod, the tine, that swings in front of its "
      "own pickup. Where the tine's end stands before the pickup decides how the note speaks. "
      "From " +
      Counted(photos, "photo", "photos") + ", " + Counted(measured, "note was", "notes were") +
      " measured: how far each tine is off to the side, how high it stands, and how wide the gap "
      "to the pickup is.");
  AddCounts(flow, context);
  flow.Item(NeedsWorkText(context));
  for (const std::string& text :
       {HeardText(context), UncertainText(context), NotMeasuredText(context)}) {
    if (!text.empty()) flow.Item(text);
  }
  AddChange(flow, context);
  for (const std::string& warning : SpringWarnings(context.record)) {
    flow.Item("Spring map: " + CleanText(Sentence(warning)));
  }
}

void AddChart(PageFlow& flow, const ReportContext& context) {
  constexpr double kLeast = 330.0;
  constexpr double kMost = 520.0;
  const KeyboardChart chart{&context.visit.measurement,
                            context.before != nullptr ? &context.before->measurement : nullptr,
                            CleanText(context.visit.name),
                            context.before != nullptr ? CleanText(context.before->name) : "",
                            &context.visit.profile};
  flow.Heading("All notes over the keyboard", kLeast);
  flow.Block(std::clamp(flow.Room(), kLeast, kMost),
             [&](Drawing& drawing, const Rect& box) { DrawKeyboardChart(drawing, box, chart); });
}

}  // namespace tinesight
