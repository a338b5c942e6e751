// The report's section on what the ear will notice.
#include <algorithm>

#include "record/report_sections.hpp"
#include "record/text_util.hpp"
#include "record/tone_chart.hpp"

namespace tinesight {
namespace {

constexpr double kChartHeight = 300.0;

void AddSentences(PageFlow& flow, const std::string& heading,
                  const std::vector<const NoteEvenness*>& notes) {
  if (notes.empty()) return;
  flow.Subheading(heading);
  for (const NoteEvenness* note : notes) flow.Item(note->sentence);
}

}  // namespace

void AddTone(PageFlow& flow, const ReportContext& context) {
  const InstrumentProfile& profile = context.visit.profile;
  const EvennessChart chart = Evenness(context.visit.measurement, profile);
  if (chart.notes.empty()) return;
  std::vector<const NoteEvenness*> heard, probably, unheard;
  std::vector<std::string> blending;
  for (const NoteEvenness& note : chart.notes) {
    if (note.heard == ToneHeard::kYes) {
      heard.push_back(&note);
    } else if (note.heard == ToneHeard::kProbably) {
      probably.push_back(&note);
    } else if (!note.within_tolerance) {
      unheard.push_back(&note);
    } else {
      blending.push_back(note.name);
    }
  }
  for (auto* list : {&heard, &probably}) {
    std::stable_sort(list->begin(), list->end(),
                     [](const auto* a, const auto* b) { return a->cost > b->cost; });
  }

  flow.Heading("What the ear will notice", kChartHeight);
  flow.Block(kChartHeight, [&](Drawing& drawing, const Rect& box) {
    DrawToneChart(drawing, box, chart, profile.FirstMidi(), profile.LastMidi());
  });
  flow.Gap(6.0);
  flow.Paragraph(
      "Predicted from where each tine stands before its pickup; nothing was listened to. A note "
      "is taken to be heard from " +
      FixedDecimals(chart.audible_level_db, 1) + " dB in level or " +
      FixedDecimals(chart.audible_octave_db, 1) + " dB in its octave against its neighbors" +
      (chart.workshop_defaults ? " (workshop defaults)." : " (from the instrument's profile).") +
      (chart.main_uncertainty.empty()
           ? ""
           : " In most notes " + chart.main_uncertainty + " is what makes it uncertain."));
  AddSentences(flow, "To be heard, worst first", heard);
  AddSentences(flow, "Probably to be heard, worst first", probably);
  AddSentences(flow, "Out of tolerance, but not to be heard: these can wait", unheard);
  if (!blending.empty()) {
    flow.Subheading("Like their neighbors, or probably so");
    flow.Paragraph(JoinedNames(blending) + ".");
  }
  flow.Paragraph(
      "Pickup law: A. Falaize and T. Hélie, Journal of Sound and Vibration 390 (2017) 289–309, eq. "
      "25. For a lateral offset it is carried on by our own derivation; no published measurement "
      "of that was found.",
      Font{7.5, false, false, kDarkGray, TextAlign::kLeft});
}

}  // namespace tinesight
