#include "record/result_table.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <filesystem>
#include <optional>
#include <string_view>
#include <vector>

#include "record/note_group.hpp"
#include "record/text_util.hpp"

namespace tinesight {
namespace {

constexpr std::size_t kColumns = 100;
constexpr std::size_t kNoteIndent = 8;  // mark and name stand in front of it

using Group = NoteGroup;

char Mark(Group group) {
  switch (group) {
    case Group::kOut:
      return '!';
    case Group::kUncertain:
    case Group::kPartly:
      return '?';
    case Group::kGood:
      return '=';
    case Group::kNotMeasured:
      break;
  }
  return 'x';
}

std::string_view QuantityMark(Verdict verdict) {
  if (verdict == Verdict::kOutOfTolerance) return " !";
  if (verdict == Verdict::kUncertain) return " ?";
  return "";
}

class TableWriter {
 public:
  TableWriter(const VisitMeasurement& visit, const TableOptions& options)
      : visit_(visit), options_(options) {}

  std::string Write() {
    WriteFlagged();
    WriteCompact(Group::kPartly, "Lateral good, height or gap uncertain (?)");
    WriteReasons(Group::kPartly);
    WriteCompact(Group::kGood, "Good as they are (=)");
    WriteNotMeasured();
    WriteSuspicions();
    WriteDamperLifts();
    WriteSummary();
    WritePhotos();
    return text_;
  }

 private:
  std::vector<const NoteMeasurement*> InGroup(Group group) const {
    std::vector<const NoteMeasurement*> notes;
    for (const NoteMeasurement& note : visit_.notes) {
      if (GroupOf(note) == group) notes.push_back(&note);
    }
    return notes;
  }

  std::string PlusMinus() const { return options_.ascii_only ? "+/-" : " ± "; }

  void Line(const std::string& line) {
    const std::size_t end = line.find_last_not_of(' ');
    text_ += line.substr(0, end == std::string::npos ? 0 : end + 1) + '\n';
  }

  void Heading(const std::string& heading) {
    if (!text_.empty()) text_ += '\n';
    Line(options_.color ? "\x1b[1m" + heading + "\x1b[0m" : heading);
  }

  std::string Colored(const std::string& text, Group group) const {
    if (!options_.color) return text;
    // Bold and yellow stay apart for every kind of color blindness and on any background.
    return (group == Group::kOut ? "\x1b[1;31m" : "\x1b[33m") + text + "\x1b[0m";
  }

  void Paragraph(const std::string& text) {
    for (const std::string& line :
         WrapText(CleanText(text, options_.ascii_only), kColumns - kNoteIndent)) {
      Line(std::string(kNoteIndent, ' ') + line);
    }
  }

  std::string Figure(const std::optional<Measured>& measured) const {
    if (!measured) return "-";
    return FixedDecimals(measured->value, 2) + PlusMinus() + FixedDecimals(measured->expanded_u, 2);
  }

  std::string Lateral(const NoteMeasurement& note, bool short_words) const {
    if (!note.lateral_mm) return "-";
    std::string direction = LateralDirection(note.lateral_mm->value);
    if (short_words && !direction.empty()) direction = direction.substr(7);
    return FixedDecimals(std::abs(note.lateral_mm->value), 2) + PlusMinus() +
           FixedDecimals(note.lateral_mm->expanded_u, 2) + (direction.empty() ? "" : " ") +
           direction;
  }

  std::string Height(const NoteMeasurement& note) const {
    if (!note.height_mm) return "-";
    const double height = note.height_mm->value;
    return FixedDecimals(std::abs(height), 2) + PlusMinus() +
           FixedDecimals(note.height_mm->expanded_u, 2) + (height < 0.0 ? " below" : " above");
  }

  static std::string VerdictText(const NoteMeasurement& note) {
    const std::array<std::pair<Verdict, Quantity>, 3> verdicts{
        {{note.lateral_verdict, Quantity::kLateral},
         {note.height_verdict, Quantity::kHeight},
         {note.gap_verdict, Quantity::kGap}}};
    static constexpr std::array<const char*, 3> kNames{"lateral", "height", "gap"};
    std::string out;
    std::string adjust;
    std::string uncertain;
    for (std::size_t i = 0; i < verdicts.size(); ++i) {
      const auto [verdict, quantity] = verdicts[i];
      if (verdict == Verdict::kUncertain)
        uncertain += (uncertain.empty() ? "" : ", ") + std::string(kNames[i]);
      if (verdict != Verdict::kOutOfTolerance) continue;
      if (quantity == Quantity::kLateral) {
        out = VerdictWord(verdict, quantity);
      } else {
        adjust += (adjust.empty() ? VerdictWord(verdict, quantity) + " " : ", ") + kNames[i];
      }
    }
    if (!out.empty() && !adjust.empty()) out += "; ";
    out += adjust;
    if (!out.empty()) return out;
    // All three would not fit the line; the marks beside the figures say it as well.
    return uncertain == "lateral, height, gap" ? "uncertain" : "uncertain: " + uncertain;
  }

  // Of the quantities to correct only: the screwdriver waits for the others.
  std::string Targets(const NoteMeasurement& note) const {
    const NoteProfile* nominal =
        options_.profile != nullptr ? options_.profile->Find(note.midi) : nullptr;
    if (nominal == nullptr) return "";
    std::vector<std::string> targets;
    const auto range = [](double target, double tolerance) {
      return FixedDecimals(target - tolerance, 2) + " to " + FixedDecimals(target + tolerance, 2);
    };
    if (note.lateral_verdict == Verdict::kOutOfTolerance) {
      targets.push_back("lateral at most " + FixedDecimals(nominal->tolerance_lateral_mm, 2));
    }
    if (note.height_verdict == Verdict::kOutOfTolerance) {
      targets.push_back("height " + range(nominal->height_mm, nominal->tolerance_height_mm));
    }
    if (note.gap_verdict == Verdict::kOutOfTolerance) {
      targets.push_back("gap " + range(nominal->gap_mm, nominal->tolerance_gap_mm));
    }
    std::string text;
    for (const std::string& target : targets) text += (text.empty() ? "" : ", ") + target;
    return text.empty() ? "" : "Should be: " + text + " mm.";
  }

  void WriteFlaggedNote(const NoteMeasurement& note, Group group) {
    std::string line = " ";
    line += Mark(group);
    line += " " + PadRight(note.name, 5);
    line += PadRight(Lateral(note, false) + std::string(QuantityMark(note.lateral_verdict)), 28);
    line += PadRight(Height(note) + std::string(QuantityMark(note.height_verdict)), 20);
    line += PadRight(Figure(note.gap_mm) + std::string(QuantityMark(note.gap_verdict)), 14);
    line += VerdictText(note);
    Line(Colored(line, group));
    if (!note.advice.empty()) Paragraph(note.advice);
    Paragraph(Targets(note));
  }

  void WriteReasons(Group group) {
    for (const std::string& reason : ReasonsOnce(group)) Paragraph(reason);
  }

  void WriteFlagged() {
    std::vector<const NoteMeasurement*> out = InGroup(Group::kOut);
    const std::vector<const NoteMeasurement*> uncertain = InGroup(Group::kUncertain);
    if (out.empty() && uncertain.empty()) return;
    std::stable_sort(out.begin(), out.end(), [&](const auto* a, const auto* b) {
      return Badness(*a, options_.profile) > Badness(*b, options_.profile);
    });
    const std::string header = PadRight("   Note", kNoteIndent) +
                               PadRight("Lateral offset, mm", 28) + PadRight("Height, mm", 20) +
                               PadRight("Gap, mm", 14) + "Verdict";
    if (!out.empty()) {
      Heading("Needs work, worst first (! out of tolerance, ? uncertain)");
      Line(header);
      for (const NoteMeasurement* note : out) WriteFlaggedNote(*note, Group::kOut);
      WriteReasons(Group::kOut);
    }
    if (!uncertain.empty()) {
      Heading("Uncertain (?): measure again before turning anything");
      Line(header);
      for (const NoteMeasurement* note : uncertain) WriteFlaggedNote(*note, Group::kUncertain);
      WriteReasons(Group::kUncertain);
    }
  }

  void WriteCompact(Group group, const std::string& heading) {
    const std::vector<const NoteMeasurement*> notes = InGroup(group);
    if (notes.empty()) return;
    Heading(heading + ": lateral offset, height, gap in mm");
    const std::size_t rows = (notes.size() + 1) / 2;  // two columns, read downward
    for (std::size_t row = 0; row < rows; ++row) {
      Line(CompactCell(*notes[row], group) +
           (row + rows < notes.size() ? CompactCell(*notes[row + rows], group) : ""));
    }
  }

  std::string CompactCell(const NoteMeasurement& note, Group group) const {
    const auto value = [](const std::optional<Measured>& measured, Verdict verdict) {
      return (measured ? FixedDecimals(measured->value, 2) : std::string("-")) +
             (verdict == Verdict::kUncertain ? "?" : " ");
    };
    std::string cell = " ";
    cell += Mark(group);
    cell += " " + PadRight(note.name, 5) + PadRight(Lateral(note, true), 20) +
            PadLeft(value(note.height_mm, note.height_verdict), 7) +
            PadLeft(value(note.gap_mm, note.gap_verdict), 8);
    return PadRight(cell, 50);
  }

  // Notes that share a reason share its line. Names where there is no reason stand alone.
  std::vector<std::string> ReasonsOnce(Group group) const {
    std::vector<std::pair<std::string, std::string>> names_of_reason;
    for (const NoteMeasurement* note : InGroup(group)) {
      const auto same =
          std::find_if(names_of_reason.begin(), names_of_reason.end(),
                       [&](const auto& entry) { return entry.first == note->reason; });
      if (same == names_of_reason.end()) {
        names_of_reason.emplace_back(note->reason, note->name);
      } else {
        same->second += ", " + note->name;
      }
    }
    std::vector<std::string> lines;
    for (const auto& [reason, names] : names_of_reason) {
      if (!reason.empty()) lines.push_back(names + ": " + reason);
      if (reason.empty() && group == Group::kNotMeasured) lines.push_back(names);
    }
    return lines;
  }

  void WriteNotMeasured() {
    const std::vector<std::string> reasons = ReasonsOnce(Group::kNotMeasured);
    if (reasons.empty()) return;
    Heading("Not measured (x)");
    for (const std::string& reason : reasons) {
      std::string start = " x ";
      for (const std::string& line :
           WrapText(CleanText(reason, options_.ascii_only), kColumns - start.size())) {
        Line(start + line);
        start = "   ";
      }
    }
  }

  void WriteSuspicions() {
    bool first = true;
    for (const NoteMeasurement& note : visit_.notes) {
      for (const Suspicion& suspicion : note.suspicions) {
        if (first) Heading("Worth a look, by the photos alone");
        first = false;
        std::string start = PadRight("   " + note.name, kNoteIndent);
        for (const std::string& line :
             WrapText(CleanText(suspicion.text, options_.ascii_only), kColumns - kNoteIndent)) {
          Line(start + line);
          start.assign(kNoteIndent, ' ');
        }
      }
    }
  }

  void WriteDamperLifts() {
    std::string lifts;
    for (const NoteMeasurement& note : visit_.notes) {
      if (!note.damper_lift_mm) continue;
      lifts += (lifts.empty() ? "" : ", ") + note.name + " " +
               FixedDecimals(note.damper_lift_mm->value, 2) + PlusMinus() +
               FixedDecimals(note.damper_lift_mm->expanded_u, 2);
    }
    if (lifts.empty()) return;
    Heading("Damper lift, mm: height with the damper at rest minus height without it");
    Paragraph(lifts);
  }

  static std::string Count(std::size_t n, const std::string& what) {
    return std::to_string(n) + " " + what;
  }

  void WriteSummary() {
    const auto count = [&](Verdict NoteMeasurement::*member, Verdict verdict) {
      return static_cast<std::size_t>(std::count_if(
          visit_.notes.begin(), visit_.notes.end(),
          [&](const auto& note) { return note.lateral_mm && note.*member == verdict; }));
    };
    const std::size_t missing = InGroup(Group::kNotMeasured).size();
    const std::size_t measured = visit_.notes.size() - missing;
    if (!text_.empty()) text_ += '\n';
    Line(Count(measured, measured == 1 ? "note measured: " : "notes measured: ") +
         Count(count(&NoteMeasurement::lateral_verdict, Verdict::kInTolerance), "centered, ") +
         Count(count(&NoteMeasurement::lateral_verdict, Verdict::kOutOfTolerance), "re-center, ") +
         Count(count(&NoteMeasurement::lateral_verdict, Verdict::kUncertain), "uncertain; ") +
         Count(missing, "not measured."));
    const auto quantity = [&](const char* name, Verdict NoteMeasurement::*member) {
      return std::string(name) + ": " + Count(count(member, Verdict::kInTolerance), "in range, ") +
             Count(count(member, Verdict::kOutOfTolerance), "adjust, ") +
             Count(count(member, Verdict::kUncertain), "uncertain, ") +
             Count(count(member, Verdict::kNotMeasured), "not judged");
    };
    Line(quantity("Height", &NoteMeasurement::height_verdict) + ".");
    Line(quantity("Gap", &NoteMeasurement::gap_verdict) + ".");
    Line(std::string(options_.ascii_only ? "+/-" : "±") +
         " is the expanded uncertainty (k = 2). Height is from the pickup's center, as played.");
  }

  void WritePhotos() {
    bool first = true;
    for (const PhotoMeasurement& photo : visit_.photos) {
      for (std::size_t i = 0; i < photo.warnings.size(); ++i) {
        const std::string& warning = photo.warnings[i];
        if (first) Heading("Photos");
        first = false;
        const std::string name = std::filesystem::path(photo.file).filename().string();
        const std::string told =
            std::string(photo.used || i > 0 ? "" : "refused: ") +  // the first says why
            warning.substr(warning.starts_with(photo.file + ": ") ? photo.file.size() + 2 : 0);
        std::string indent = "  ";
        for (const std::string& line :
             WrapText(CleanText(name + ": " + told, options_.ascii_only), kColumns - 4)) {
          Line(indent + line);
          indent = "    ";
        }
      }
    }
  }

  const VisitMeasurement& visit_;
  const TableOptions& options_;
  std::string text_;
};

}  // namespace

std::string ResultTable(const VisitMeasurement& visit, const TableOptions& options) {
  return TableWriter(visit, options).Write();
}

}  // namespace tinesight
