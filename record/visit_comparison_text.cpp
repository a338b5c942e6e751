// A comparison of two visits for people and for programs.
#include <algorithm>
#include <array>
#include <nlohmann/json.hpp>

#include "record/paragraphs.hpp"
#include "record/quantity_view.hpp"
#include "record/text_util.hpp"
#include "record/visit_comparison.hpp"

namespace tinesight {
namespace {

std::string Signed(double value) {
  std::string text = value < 0.0 ? "" : "+";
  return text += FixedDecimals(value, 2);
}

std::string KindWord(ChangeKind kind) {
  switch (kind) {
    case ChangeKind::kImproved:
      return "improved";
    case ChangeKind::kWorse:
      return "worse";
    case ChangeKind::kSame:
      break;
  }
  return "no change beyond U";
}

// "lateral 0.92 mm toward treble to 0.05 mm toward bass (-0.97, U 0.07)" of what changed.
std::string ChangeText(const NoteComparison& note) {
  std::string text;
  for (const QuantityChange& change : note.changes) {
    if (!change.Significant()) continue;
    text += (text.empty() ? "" : "; ") + std::string(ViewOf(change.quantity).name) + " " +
            ValueText(change.quantity, change.before_mm.value) + " to " +
            ValueText(change.quantity, change.after_mm.value) + " (" +
            Signed(change.change_mm.value) + ", U " +
            FixedDecimals(change.change_mm.expanded_u, 2) + "), " + KindWord(change.kind);
  }
  for (const std::string& work : note.work) text += "; " + work;
  return text;
}

std::string Joined(const std::vector<std::string>& names) {
  std::string text;
  for (const std::string& name : names) text += (text.empty() ? "" : ", ") + name;
  return text;
}

class ComparisonWriter {
 public:
  ComparisonWriter(const VisitComparison& comparison, bool ascii_only)
      : comparison_(comparison), out_(ascii_only) {}

  std::string Write() {
    WriteSummary();
    WriteNotes(
        "Still open (!)", " ! ", [](const NoteComparison& n) { return n.open; },
        [](const NoteComparison& n) { return n.open_reason; });
    WriteNames("Out of tolerance in \"" + comparison_.before + "\", and not measured again (!)",
               comparison_.not_again);
    WriteNotes(
        "Worse (-)", " - ", [](const NoteComparison& n) { return n.worse; }, ChangeText);
    WriteNotes(
        "Moved though no work on it is recorded (~)", " ~ ",
        [](const NoteComparison& n) { return n.moved_untouched; }, ChangeText);
    WriteNotes(
        "Improved (+)", " + ",
        [](const NoteComparison& n) { return n.improved && !n.moved_untouched; }, ChangeText);
    WriteRest();
    return out_.Text();
  }

 private:
  template <typename Chosen>
  [[nodiscard]] std::size_t Count(Chosen chosen) const {
    return static_cast<std::size_t>(
        std::count_if(comparison_.notes.begin(), comparison_.notes.end(), chosen));
  }

  void WriteSummary() {
    const auto& c = comparison_;
    out_.Heading("\"" + c.before + "\" (" + c.before_date + ") to \"" + c.after + "\" (" +
                 c.after_date + "): " + std::to_string(c.notes.size()) + " notes in both, " +
                 std::to_string(Count([](const auto& n) { return n.improved; })) + " improved, " +
                 std::to_string(Count([](const auto& n) { return n.worse; })) + " worse, " +
                 std::to_string(Count([](const auto& n) { return n.moved_untouched; })) +
                 " moved though no work on them is recorded, " +
                 std::to_string(Count([](const auto& n) { return n.open; })) + " still open" +
                 (c.not_again.empty() ? "."
                                      : ", " + std::to_string(c.not_again.size()) +
                                            " out of tolerance and not measured again."));
    out_.Add("",
             "A change counts where it is beyond its expanded uncertainty U (k = 2, root sum "
             "of squares of both). By that rule about one figure in twenty that did not "
             "change seems to.");
  }

  template <typename Chosen, typename Text>
  void WriteNotes(const char* heading, const char* mark, Chosen chosen, Text text) {
    if (Count(chosen) == 0) return;
    out_.Heading(heading);
    for (const NoteComparison& note : comparison_.notes) {
      if (chosen(note)) out_.Add(PadRight(std::string(mark) + note.name, 8), text(note));
    }
  }

  void WriteRest() {
    std::vector<std::string> same;
    for (const NoteComparison& note : comparison_.notes) {
      if (!note.open && !note.worse && !note.improved && !note.moved_untouched) {
        same.push_back(note.name);
      }
    }
    WriteNames("No change beyond U (=)", same);
    WriteNames("Measured in \"" + comparison_.before + "\" alone", comparison_.only_before);
    WriteNames("Measured in \"" + comparison_.after + "\" alone", comparison_.only_after);
    WriteLifts();
    if (comparison_.spring_warnings.empty()) return;
    out_.Heading("Springs: they voice the low register and go back where they were");
    for (const std::string& warning : comparison_.spring_warnings) out_.Add("  ", warning);
  }

  void WriteNames(const std::string& heading, const std::vector<std::string>& names) {
    if (names.empty()) return;
    out_.Heading(heading);
    out_.Add("  ", Joined(names));
  }

  void WriteLifts() {
    if (comparison_.damper_lifts.empty()) return;
    const auto text = [](const Measured& lift) {
      return FixedDecimals(lift.value, 2) + " mm (U " + FixedDecimals(lift.expanded_u, 2) + ")";
    };
    std::array<std::string, 2> alone;
    out_.Heading("Damper lift: height with the damper at rest minus height without it");
    for (const auto& lift : comparison_.damper_lifts) {
      if (lift.before_mm && lift.after_mm) {
        out_.Add(PadRight(std::string("   ") + lift.name, 8),
                 text(*lift.before_mm) + " to " + text(*lift.after_mm));
        continue;
      }
      std::string& list = alone[lift.before_mm ? 0 : 1];
      list += (list.empty() ? "" : "; ") + lift.name + " " +
              text(lift.before_mm ? *lift.before_mm : *lift.after_mm);
    }
    for (std::size_t i = 0; i < alone.size(); ++i) {
      const std::string& visit = i == 0 ? comparison_.before : comparison_.after;
      if (!alone[i].empty()) out_.Add("  ", "in \"" + visit + "\" alone: " + alone[i]);
    }
  }

  const VisitComparison& comparison_;
  Paragraphs out_;
};

using Json = nlohmann::ordered_json;

Json ChangeJson(const QuantityChange& change) {
  return {{"quantity", ViewOf(change.quantity).name},
          {"before_mm", change.before_mm.value},
          {"before_u_mm", change.before_mm.expanded_u},
          {"after_mm", change.after_mm.value},
          {"after_u_mm", change.after_mm.expanded_u},
          {"change_mm", change.change_mm.value},
          {"change_u_mm", change.change_mm.expanded_u},
          {"verdict_before", VerdictWord(change.verdict_before, change.quantity)},
          {"verdict_after", VerdictWord(change.verdict_after, change.quantity)},
          {"kind", KindWord(change.kind)}};
}

Json NoteJson(const NoteComparison& note) {
  Json json{{"midi", note.midi}, {"name", note.name}, {"changes", Json::array()}};
  for (const QuantityChange& change : note.changes) json["changes"].push_back(ChangeJson(change));
  if (note.yaw_change_deg) {
    json["yaw_change_deg"] = note.yaw_change_deg->value;
    json["yaw_change_u_deg"] = note.yaw_change_deg->expanded_u;
  }
  json["worked_on"] = note.worked_on;
  json["work"] = note.work;
  json["improved"] = note.improved;
  json["worse"] = note.worse;
  json["moved_untouched"] = note.moved_untouched;
  json["open"] = note.open;
  json["open_reason"] = note.open_reason;
  return json;
}

}  // namespace

std::string ComparisonText(const VisitComparison& comparison, bool ascii_only) {
  return ComparisonWriter(comparison, ascii_only).Write();
}

std::string ComparisonJson(const VisitComparison& comparison) {
  Json json;
  json["before"] = comparison.before;
  json["after"] = comparison.after;
  json["before_date"] = comparison.before_date;
  json["after_date"] = comparison.after_date;
  json["coverage_factor"] = 2;
  json["notes"] = Json::array();
  for (const NoteComparison& note : comparison.notes) json["notes"].push_back(NoteJson(note));
  json["only_before"] = comparison.only_before;
  json["not_measured_again"] = comparison.not_again;
  json["only_after"] = comparison.only_after;
  json["damper_lift"] = Json::array();
  for (const auto& lift : comparison.damper_lifts) {
    Json entry{{"name", lift.name}};
    if (lift.before_mm) {
      entry["before_mm"] = lift.before_mm->value;
      entry["before_u_mm"] = lift.before_mm->expanded_u;
    }
    if (lift.after_mm) {
      entry["after_mm"] = lift.after_mm->value;
      entry["after_u_mm"] = lift.after_mm->expanded_u;
    }
    json["damper_lift"].push_back(entry);
  }
  json["spring_warnings"] = comparison.spring_warnings;
  return json.dump(2, ' ', false, Json::error_handler_t::replace) + '\n';
}

}  // namespace tinesight
