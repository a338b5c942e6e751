#include "record/tone_table.hpp"

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>
#include <vector>

#include "alignment/note_name.hpp"
#include "record/text_util.hpp"

namespace tinesight {
namespace {

constexpr std::size_t kColumns = 100;
constexpr double kFaintDb = -40.0;

std::string Signed(double value, int decimals) {
  const std::string text = FixedDecimals(value, decimals);
  return text.front() == '-' || value == 0.0 ? text : "+" + text;
}

// Beyond what a table can use: the harmonic, or the fundamental, is gone.
std::string RatioText(double ratio_db) {
  if (ratio_db <= -60.0) return "none";
  if (ratio_db >= 60.0) return "alone";
  return Signed(ratio_db, 1);
}

std::string LevelInterval(const ToneInterval& level) {
  return PadLeft(Signed(level.value, 1), 5) + " [" + PadLeft(Signed(level.low, 1), 5) + " " +
         PadLeft(Signed(level.high, 1), 5) + "]" + (level.linear ? " " : "*");
}

std::string RatioInterval(const ToneInterval& ratio) {
  return PadLeft(RatioText(ratio.value), 5) + " [" + PadLeft(RatioText(ratio.low), 5) + " " +
         PadLeft(RatioText(ratio.high), 5) + "]" + (ratio.linear ? " " : "*");
}

class Writer {
 public:
  explicit Writer(bool ascii_only) : ascii_only_(ascii_only) {}

  void Line(const std::string& line) {
    const std::size_t end = line.find_last_not_of(' ');
    text_ += CleanText(line.substr(0, end == std::string::npos ? 0 : end + 1), ascii_only_) + '\n';
  }
  void Paragraph(const std::string& text, std::size_t indent = 0) {
    for (const std::string& line : WrapText(CleanText(text, ascii_only_), kColumns - indent)) {
      Line(std::string(indent, ' ') + line);
    }
  }
  // A sentence of a list: its second line stands under its first word.
  void Item(const std::string& text) {
    bool first = true;
    for (const std::string& line : WrapText(CleanText(text, ascii_only_), kColumns - 4)) {
      Line((first ? "  - " : "    ") + line);
      first = false;
    }
  }
  void Blank() { text_ += '\n'; }
  [[nodiscard]] std::string Text() const { return text_; }

 private:
  bool ascii_only_;
  std::string text_;
};

std::vector<const NoteEvenness*> WorstFirst(const EvennessChart& chart) {
  std::vector<const NoteEvenness*> notes;
  for (const NoteEvenness& note : chart.notes) notes.push_back(&note);
  std::stable_sort(notes.begin(), notes.end(),
                   [](const auto* a, const auto* b) { return a->cost > b->cost; });
  return notes;
}

void WriteSentences(Writer& writer, const EvennessChart& chart) {
  const std::vector<const NoteEvenness*> notes = WorstFirst(chart);
  const auto group = [&](const std::string& heading, auto belongs) {
    bool any = false;
    for (const NoteEvenness* note : notes) {
      if (!belongs(*note)) continue;
      if (!any) writer.Line(heading);
      any = true;
      writer.Item(note->sentence);
    }
    if (any) writer.Blank();
  };
  const auto heard = [](const NoteEvenness& note) { return note.heard >= ToneHeard::kProbably; };
  const auto is = [](ToneHeard which) {
    return [which](const NoteEvenness& note) { return note.heard == which; };
  };
  group("To be heard, worst first", is(ToneHeard::kYes));
  group("Probably to be heard, worst first", is(ToneHeard::kProbably));
  group("Out of tolerance, but not to be heard: these can wait",
        [&](const NoteEvenness& note) { return !heard(note) && !note.within_tolerance; });
  std::string rest;
  for (const NoteEvenness& note : chart.notes) {
    if (heard(note) || !note.within_tolerance) continue;
    rest += (rest.empty() ? "" : ", ") + note.name;
    if (note.heard == ToneHeard::kProbablyNot) rest += "?";
  }
  if (rest.empty()) return;
  writer.Line("Like their neighbors (?: probably)");
  writer.Paragraph(rest, 4);
  writer.Blank();
}

void WriteRows(Writer& writer, const VisitMeasurement& visit, const InstrumentProfile& profile,
               const EvennessChart& chart) {
  writer.Line("Medium stroke, dB [95 % interval]                                  Soft to hard");
  writer.Line("Note  Level                Octave               Twelfth              Level Octave");
  for (const NoteTone& note : PredictVisitTone(visit, profile)) {
    const DynamicTone& medium = note.Of(Dynamic::kMedium);
    writer.Line(PadRight(note.name, 5) + LevelInterval(medium.level_db) + "  " +
                RatioInterval(medium.second_db) + "  " + RatioInterval(medium.third_db) + "  " +
                PadLeft(Signed(note.growth.level_db.value, 1), 5) + " " +
                PadLeft(Signed(note.growth.second_db.value, 1), 5));
  }
  writer.Blank();
  writer.Line(
      "Best place, centered (lateral 0)            Per 0.1 mm of height   Per 0.1 mm of gap");
  writer.Line("Note  Height  Gap    Level   Octave         Level   Octave         Level   Octave");
  for (const NoteEvenness& evenness : chart.notes) {
    const NoteProfile& target = *profile.Find(evenness.midi);
    const ToneTarget wanted = TargetFor(target, profile.tone, &evenness);
    const BestPlace best = FindBestPlace(target, profile.tone, wanted);
    writer.Line(PadRight(evenness.name, 6) + PadRight(FixedDecimals(best.place.height_mm, 2), 8) +
                PadRight(FixedDecimals(best.place.gap_mm, 2), 7) +
                PadRight(Signed(best.level_db, 1), 8) + PadRight(Signed(best.octave_db, 1), 8) +
                PadRight(best.reached ? "" : "near", 7) +
                PadRight(Signed(best.level_per_tenth_height_db, 2), 8) +
                PadRight(Signed(best.octave_per_tenth_height_db, 2), 15) +
                PadRight(Signed(best.level_per_tenth_gap_db, 2), 8) +
                Signed(best.octave_per_tenth_gap_db, 2));
  }
  writer.Blank();
}

std::string StrokeWords(const ToneProfile& tone) {
  return "Strokes: " + FixedDecimals(tone.amplitude_soft_mm, 2) + ", " +
         FixedDecimals(tone.amplitude_medium_mm, 2) + " and " +
         FixedDecimals(tone.amplitude_hard_mm, 2) +
         " mm at the tip of a 50 mm tine (soft, medium, hard)" +
         (tone.is_default ? ": workshop defaults, as the profile says nothing of its tone."
                          : ", from the profile.");
}

void WriteNotes(Writer& writer, const EvennessChart& chart, const ToneProfile& tone) {
  writer.Paragraph(
      "Predicted from where each tine stands, not listened to: pickup law of Falaize and Hélie "
      "(2017); for a lateral offset our derivation from it, no measurement of that was found. "
      "Level "
      "0 dB: the tine at the profile's height and gap, centered. Octave and twelfth: to the "
      "fundamental; more is brighter, and below -20 dB it hardly counts.");
  writer.Paragraph("A note sticks out from " + FixedDecimals(tone.audible_level_db, 1) +
                   " dB in level or " + FixedDecimals(tone.audible_harmonic_db, 1) +
                   " dB in its octave against its neighbors. " + StrokeWords(tone));
  writer.Paragraph(
      "Intervals are from the uncertainty of the place alone. *: the figure bends within it (it is "
      "near its least or greatest value), so the interval is not the usual ± but from 1000 draws.");
  if (!chart.main_uncertainty.empty()) {
    writer.Paragraph("In most notes " + chart.main_uncertainty +
                     " is what makes the prediction uncertain.");
  }
}

nlohmann::ordered_json IntervalJson(const ToneInterval& interval) {
  const auto rounded = [](double value) { return std::round(value * 1e3) / 1e3; };
  return {{"db", rounded(interval.value)},
          {"low_db", rounded(interval.low)},
          {"high_db", rounded(interval.high)},
          {"linear", interval.linear}};
}

nlohmann::ordered_json DynamicJson(const DynamicTone& tone) {
  return {{"level", IntervalJson(tone.level_db)},
          {"octave", IntervalJson(tone.second_db)},
          {"twelfth", IntervalJson(tone.third_db)}};
}

}  // namespace

std::string ToneTable(const VisitMeasurement& visit, const InstrumentProfile& profile,
                      bool ascii_only) {
  Writer writer(ascii_only);
  const EvennessChart chart = Evenness(visit, profile);
  if (chart.notes.empty()) {
    writer.Line("No note has lateral offset, height and gap measured: nothing to predict from.");
    return writer.Text();
  }
  WriteSentences(writer, chart);
  WriteRows(writer, visit, profile, chart);
  WriteNotes(writer, chart, profile.tone);
  return writer.Text();
}

std::string ToneJson(const VisitMeasurement& visit, const InstrumentProfile& profile) {
  const EvennessChart chart = Evenness(visit, profile);
  nlohmann::ordered_json json;
  json["prediction"] = "computed from the measured places, not listened to";
  json["workshop_defaults"] = chart.workshop_defaults;
  json["audible_level_db"] = chart.audible_level_db;
  json["audible_octave_db"] = chart.audible_octave_db;
  json["notes"] = nlohmann::ordered_json::array();
  for (const NoteTone& note : PredictVisitTone(visit, profile)) {
    const NoteEvenness& evenness = *chart.Find(note.midi);
    const NoteProfile& target = *profile.Find(note.midi);
    const BestPlace best =
        FindBestPlace(target, profile.tone, TargetFor(target, profile.tone, &evenness));
    nlohmann::ordered_json entry{{"midi", note.midi}, {"name", note.name}};
    for (const Dynamic dynamic : kDynamics) {
      entry[DynamicWord(dynamic)] = DynamicJson(note.Of(dynamic));
    }
    entry["soft_to_hard"] = DynamicJson(note.growth);
    entry["level_trend_db"] = evenness.level.trend_db;
    entry["octave_trend_db"] = evenness.octave.trend_db;
    entry["verdict"] = ToneHeardWord(evenness.heard);
    entry["within_tolerance"] = evenness.within_tolerance;
    entry["cost"] = evenness.cost;
    entry["sentence"] = evenness.sentence;
    entry["best"] = {{"height_mm", best.place.height_mm},
                     {"gap_mm", best.place.gap_mm},
                     {"level_db", best.level_db},
                     {"octave_db", best.octave_db},
                     {"reached", best.reached},
                     {"level_db_per_tenth_mm_height", best.level_per_tenth_height_db},
                     {"octave_db_per_tenth_mm_height", best.octave_per_tenth_height_db},
                     {"level_db_per_tenth_mm_gap", best.level_per_tenth_gap_db},
                     {"octave_db_per_tenth_mm_gap", best.octave_per_tenth_gap_db}};
    json["notes"].push_back(std::move(entry));
  }
  return json.dump(2) + '\n';
}

std::string WhatIfText(const NoteTone& now, const NoteTone& then, const ToneChange& change,
                       const ToneProfile& tone, bool ascii_only) {
  Writer writer(ascii_only);
  const auto place = [](const char* name, const PickupPlace& at) {
    const std::string direction = LateralDirection(at.lateral_mm);
    return PadRight(name, 6) + "lateral " + FixedDecimals(std::abs(at.lateral_mm), 2) + " mm" +
           (direction.empty() ? "" : " " + direction) + ", height " +
           FixedDecimals(at.height_mm, 2) + " mm, gap " + FixedDecimals(at.gap_mm, 2) + " mm";
  };
  writer.Line("Predicted tone of " + now.name + " (computed from its place, not listened to)");
  writer.Blank();
  writer.Line(place("now", now.at.place));
  writer.Line(place("then", then.at.place));
  writer.Blank();
  writer.Line("dB [95 % interval]  Level                Octave               Twelfth");
  for (const Dynamic dynamic : kDynamics) {
    const std::string word = DynamicWord(dynamic);
    const auto row = [&](const std::string& name, const DynamicTone& figures) {
      writer.Line(PadRight(name, 20) + LevelInterval(figures.level_db) + "  " +
                  RatioInterval(figures.second_db) + "  " + RatioInterval(figures.third_db));
    };
    row(word + ", now", now.Of(dynamic));
    row(word + ", then", then.Of(dynamic));
    // Between two harmonics that are hardly there a difference says nothing.
    const auto difference = [&](ToneInterval DynamicTone::*figure) {
      const bool faint =
          (now.Of(dynamic).*figure).value < kFaintDb && (then.Of(dynamic).*figure).value < kFaintDb;
      return faint ? PadRight("    -", 20) : LevelInterval(change.Of(dynamic).*figure);
    };
    writer.Line(PadRight("  change", 20) + LevelInterval(change.Of(dynamic).level_db) + "  " +
                difference(&DynamicTone::second_db) + "  " + difference(&DynamicTone::third_db));
  }
  writer.Blank();
  const DynamicTone& medium = change.Of(Dynamic::kMedium);
  const std::string words = ToneChangeText(
      medium.level_db.value, HeardRatioDb(then.Of(Dynamic::kMedium).second_db.value) -
                                 HeardRatioDb(now.Of(Dynamic::kMedium).second_db.value));
  writer.Paragraph("At a medium stroke " + now.name + " gets " +
                   (words.empty() ? "neither louder nor brighter to speak of" : words) + ".");
  const double growth = change.growth.level_db.value;
  if (std::abs(growth) >= 0.3) {
    writer.Paragraph("From soft to hard it gains " + FixedDecimals(std::abs(growth), 1) + " dB " +
                     (growth > 0.0 ? "more" : "less") + " than now.");
  }
  writer.Blank();
  writer.Paragraph(
      "Level 0 dB: the tine at the profile's height and gap, centered, same stroke. Octave and "
      "twelfth: to the fundamental. The change has the smaller interval, as an error of the "
      "measured place goes along. *: interval from 1000 draws, as the figure bends within it.");
  writer.Paragraph(StrokeWords(tone));
  return writer.Text();
}

}  // namespace tinesight
