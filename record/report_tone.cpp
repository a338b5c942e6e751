// The report's sections on what the ear will notice: for the owner in words, and at the end the
// figures that the words rest on.
#include <algorithm>

#include "record/report_sections.hpp"
#include "record/text_util.hpp"
#include "record/tone_chart.hpp"

namespace tinesight {
namespace {

constexpr std::size_t kMostRows = 8;  // of the table in words; the rest is named
constexpr double kLeastChartHeight = 250.0;
constexpr double kMostChartHeight = 470.0;
const Font kSmallFont{7.5, false, false, kDarkGray, TextAlign::kLeft};

struct ToneGroups {
  std::vector<const NoteEvenness*> heard;  // worst first
  std::vector<const NoteEvenness*> perhaps;
  std::vector<const NoteEvenness*> unheard;  // though out of tolerance by their figures
  std::size_t blending = 0;
};

ToneGroups GroupsOf(const EvennessChart& chart) {
  ToneGroups groups;
  for (const NoteEvenness& note : chart.notes) {
    if (note.heard == ToneHeard::kYes) {
      groups.heard.push_back(&note);
    } else if (note.heard == ToneHeard::kProbably) {
      groups.perhaps.push_back(&note);
    } else if (!note.within_tolerance) {
      groups.unheard.push_back(&note);
    } else {
      ++groups.blending;
    }
  }
  std::stable_sort(groups.heard.begin(), groups.heard.end(),
                   [](const auto* a, const auto* b) { return a->cost > b->cost; });
  return groups;
}

std::string NamesFrom(const std::vector<const NoteEvenness*>& notes, std::size_t first = 0) {
  std::vector<std::string> names;
  for (std::size_t i = first; i < notes.size(); ++i) names.push_back(notes[i]->name);
  return JoinedNames(names);
}

void AddHeard(PageFlow& flow, const EvennessChart& chart,
              const std::vector<const NoteEvenness*>& heard) {
  if (heard.empty()) {
    flow.Item("No note is sure to stick out.");
    return;
  }
  Table table;
  table.columns = {{"Will stick out", 0.8, TextAlign::kLeft},
                   {"Beside its neighbors it sounds", 2.0, TextAlign::kLeft},
                   {"Mostly because its tine is", 2.0, TextAlign::kLeft}};
  for (std::size_t i = 0; i < std::min(kMostRows, heard.size()); ++i) {
    const NoteEvenness& note = *heard[i];
    table.rows.push_back(
        {{note.name, true, std::nullopt},
         {PlainToneText(note, chart), false, std::nullopt},
         {note.cause.empty() ? "off in several ways" : note.cause, false, std::nullopt}});
  }
  flow.AddTable(table);
  if (heard.size() > kMostRows) {
    flow.Item("Will stick out too, though less: " + NamesFrom(heard, kMostRows) + ".");
  }
}

TableCell Cell(const std::string& text, bool bold = false) { return {text, bold, std::nullopt}; }

std::string SignedDb(double db) {
  const std::string text = FixedDecimals(db, 1);
  return db > 0.0 && text.front() != '-' ? "+" + text : text;
}

// "-20.6 (-32.9 to -9.1)": to the neighbors, with the interval of the note's own place.
std::string DeviationText(const EvennessFigure& figure) {
  return SignedDb(figure.Deviation()) + " (" + SignedDb(figure.figure.low - figure.trend_db) +
         " to " + SignedDb(figure.figure.high - figure.trend_db) + ")";
}

}  // namespace

void AddTone(PageFlow& flow, const ReportContext& context) {
  const EvennessChart& chart = context.tone;
  if (chart.notes.empty()) return;
  const ToneGroups groups = GroupsOf(chart);
  flow.Heading("What the ear will notice", 120.0);
  flow.Paragraph(
      "Predicted from where each tine stands before its pickup; nothing was listened to.");
  AddHeard(flow, chart, groups.heard);
  if (!groups.perhaps.empty()) {
    flow.Item("Perhaps; the photos can't tell for sure: " + NamesFrom(groups.perhaps) + ".");
  }
  if (!groups.unheard.empty()) {
    flow.Item("Measured off, but not likely to be heard, so that they can wait: " +
              NamesFrom(groups.unheard) + ".");
  }
  if (groups.blending > 0) {
    flow.Item(Counted(groups.blending, "other note sounds", "other notes sound") +
              " like the neighbors, or probably so.");
  }
  flow.Gap(6.0);
  const InstrumentProfile& profile = context.visit.profile;
  const double room = flow.Room() < kLeastChartHeight ? kMostChartHeight : flow.Room();
  flow.Block(std::min(room, kMostChartHeight), [&](Drawing& drawing, const Rect& box) {
    DrawToneChart(drawing, box, chart, profile.FirstMidi(), profile.LastMidi());
  });
}

void AddToneFigures(PageFlow& flow, const ReportContext& context) {
  const EvennessChart& chart = context.tone;
  Table table;
  table.columns = {{"Note", 0.6, TextAlign::kLeft},
                   {"Level, dB", 1.6, TextAlign::kLeft},
                   {"Octave, dB as heard", 1.6, TextAlign::kLeft},
                   {"To the ear", 1.3, TextAlign::kLeft},
                   {"Mostly because its tine is", 1.7, TextAlign::kLeft}};
  for (const NoteEvenness& note : chart.notes) {
    if (note.heard < ToneHeard::kProbably && note.within_tolerance) continue;
    table.rows.push_back({Cell(note.name, true), Cell(DeviationText(note.level)),
                          Cell(DeviationText(note.octave)), Cell(ToneHeardWord(note.heard)),
                          Cell(note.cause.empty() ? "–" : note.cause)});
  }
  if (table.rows.empty()) return;
  flow.Heading("Predicted tone in figures", 80.0);
  flow.AddTable(table);
  flow.Paragraph(
      "To the robust line through the neighbors, with the interval of 95 % that the uncertainty of "
      "the note's place makes; notes that are not listed blend in. A note is taken to be heard "
      "from " +
          FixedDecimals(chart.audible_level_db, 1) + " dB in level or " +
          FixedDecimals(chart.audible_octave_db, 1) + " dB in its octave" +
          (chart.workshop_defaults ? " (workshop defaults)."
                                   : " (from the instrument's profile).") +
          (chart.main_uncertainty.empty()
               ? ""
               : " In most notes " + chart.main_uncertainty + " is what makes it uncertain.") +
          " Pickup law: A. Falaize and T. Hélie, Journal of Sound and Vibration 390 (2017) "
          "289–309, eq. 25. For a lateral offset it is carried on by our own derivation; no "
          "published measurement of that was found.",
      kSmallFont);
}

}  // namespace tinesight
