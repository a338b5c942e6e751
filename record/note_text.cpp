#include "record/note_text.hpp"

#include <array>
#include <cctype>
#include <cmath>

#include "record/text_util.hpp"

namespace tinesight {
namespace {

struct JudgedQuantity {
  Quantity quantity;
  const char* name;
  std::optional<Measured> NoteMeasurement::*value;
  Verdict NoteMeasurement::*verdict;
};
constexpr std::array<JudgedQuantity, 3> kQuantities{{
    {Quantity::kLateral, "lateral offset", &NoteMeasurement::lateral_mm,
     &NoteMeasurement::lateral_verdict},
    {Quantity::kHeight, "height", &NoteMeasurement::height_mm, &NoteMeasurement::height_verdict},
    {Quantity::kGap, "gap", &NoteMeasurement::gap_mm, &NoteMeasurement::gap_verdict},
}};

// The side that the figure's absolute value leaves out.
std::string SideOf(Quantity quantity, double value_mm) {
  if (quantity == Quantity::kLateral) return LateralDirection(value_mm);
  if (quantity == Quantity::kHeight) return value_mm < 0.0 ? "below" : "above";
  return "";
}

std::string Limits(double target_mm, double tolerance_mm) {
  return "should be " + FixedDecimals(target_mm - tolerance_mm, 2) + " to " +
         FixedDecimals(target_mm + tolerance_mm, 2);
}

std::string TargetOf(Quantity quantity, const NoteProfile& target) {
  switch (quantity) {
    case Quantity::kLateral:
      return "at most " + FixedDecimals(target.tolerance_lateral_mm, 2);
    case Quantity::kHeight:
      return Limits(target.height_mm, target.tolerance_height_mm);
    case Quantity::kGap:
      break;
  }
  return Limits(target.gap_mm, target.tolerance_gap_mm);
}

std::string Names(const NoteMeasurement& note, Verdict verdict, bool with_lateral) {
  std::string names;
  for (const JudgedQuantity& judged : kQuantities) {
    if (note.*judged.verdict != verdict) continue;
    if (judged.quantity == Quantity::kLateral && !with_lateral) continue;
    names += (names.empty() ? "" : ", ") + std::string(judged.name);
  }
  return names;
}

}  // namespace

std::string PlusMinusText(const std::optional<Measured>& measured) {
  if (!measured) return "–";
  return FixedDecimals(measured->value, 2) + " ± " + FixedDecimals(measured->expanded_u, 2);
}

std::vector<FigureText> FigureTexts(const NoteMeasurement& note, const NoteProfile* target) {
  std::vector<FigureText> figures;
  for (const JudgedQuantity& judged : kQuantities) {
    FigureText figure;
    figure.name = judged.name;
    figure.name[0] = static_cast<char>(std::toupper(static_cast<unsigned char>(figure.name[0])));
    figure.mark = note.*judged.verdict;
    figure.verdict = VerdictWord(figure.mark, judged.quantity);
    const std::optional<Measured>& measured = note.*judged.value;
    if (measured) {
      const bool by_side = judged.quantity != Quantity::kGap;
      const std::string side = SideOf(judged.quantity, measured->value);
      figure.value = PlusMinusText(Measured{by_side ? std::abs(measured->value) : measured->value,
                                            measured->expanded_u}) +
                     " mm" + (side.empty() ? "" : " " + side);
    } else {
      figure.value = "not measured";
    }
    if (target != nullptr) figure.target = TargetOf(judged.quantity, *target);
    figures.push_back(std::move(figure));
  }
  return figures;
}

std::string VerdictPhrase(const NoteMeasurement& note) {
  if (!note.lateral_mm) return "not measured";
  std::string phrase;
  if (note.lateral_verdict == Verdict::kOutOfTolerance) {
    phrase = VerdictWord(note.lateral_verdict, Quantity::kLateral);
  }
  const std::string adjust = Names(note, Verdict::kOutOfTolerance, false);
  if (!adjust.empty()) {
    phrase += (phrase.empty() ? "" : "; ") +
              VerdictWord(Verdict::kOutOfTolerance, Quantity::kHeight) + " " + adjust;
  }
  if (!phrase.empty()) return phrase;
  const std::string uncertain = Names(note, Verdict::kUncertain, true);
  if (note.lateral_verdict == Verdict::kUncertain) return "uncertain: " + uncertain;
  phrase = VerdictWord(note.lateral_verdict, Quantity::kLateral);
  return uncertain.empty() ? phrase : phrase + "; uncertain: " + uncertain;
}

Verdict LeadingVerdict(const NoteMeasurement& note) {
  if (!note.lateral_mm) return Verdict::kNotMeasured;
  if (!Names(note, Verdict::kOutOfTolerance, true).empty()) return Verdict::kOutOfTolerance;
  return note.lateral_verdict;
}

std::string LongDate(const std::string& iso_date) {
  static constexpr std::array<const char*, 12> kMonths{
      "January", "February", "March",     "April",   "May",      "June",
      "July",    "August",   "September", "October", "November", "December"};
  const auto digits = [&](std::size_t from, std::size_t count) {
    int value = 0;
    for (std::size_t i = from; i < from + count; ++i) {
      if (std::isdigit(static_cast<unsigned char>(iso_date[i])) == 0) return -1;
      value = 10 * value + (iso_date[i] - '0');
    }
    return value;
  };
  if (iso_date.size() != 10 || iso_date[4] != '-' || iso_date[7] != '-') return iso_date;
  const int year = digits(0, 4);
  const int month = digits(5, 2);
  const int day = digits(8, 2);
  if (year < 0 || month < 1 || month > 12 || day < 1) return iso_date;
  return std::string(kMonths[static_cast<std::size_t>(month - 1)]) + " " + std::to_string(day) +
         ", " + std::to_string(year);
}

std::string Sentence(std::string text) {
  if (text.empty()) return text;
  text[0] = static_cast<char>(std::toupper(static_cast<unsigned char>(text[0])));
  if (text.back() != '.' && text.back() != '!' && text.back() != '?') text += '.';
  return text;
}

}  // namespace tinesight
