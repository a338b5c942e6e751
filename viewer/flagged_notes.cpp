#include "viewer/flagged_notes.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <tuple>

#include "record/text_util.hpp"

namespace tinesight {
namespace {

constexpr std::array<ChartQuantity, 3> kJudged = {ChartQuantity::kLateral, ChartQuantity::kHeight,
                                                  ChartQuantity::kGap};

const std::optional<Measured>& ValueOf(const NoteMeasurement& note, ChartQuantity quantity) {
  switch (quantity) {
    case ChartQuantity::kLateral:
      return note.lateral_mm;
    case ChartQuantity::kHeight:
      return note.height_mm;
    case ChartQuantity::kGap:
      return note.gap_mm;
    case ChartQuantity::kToneBarYaw:
      return note.tone_bar_yaw_deg;
    case ChartQuantity::kDamperLift:
      break;
  }
  return note.damper_lift_mm;
}

// The graver, the smaller.
int Rank(Verdict verdict) {
  switch (verdict) {
    case Verdict::kOutOfTolerance:
      return 0;
    case Verdict::kUncertain:
      return 1;
    case Verdict::kNotMeasured:
      return 2;
    case Verdict::kInTolerance:
      break;
  }
  return 3;
}

FlaggedNote WorstOf(const NoteMeasurement& note, const InstrumentProfile* profile) {
  FlaggedNote worst;
  worst.midi = note.midi;
  worst.verdict = Verdict::kInTolerance;
  for (const ChartQuantity quantity : kJudged) {
    const Verdict verdict = VerdictOf(note, quantity);
    const auto deviation = DeviationOf(note, quantity, profile);
    double severity = 0.0;
    if (deviation && deviation->tolerance && *deviation->tolerance > 0.0) {
      severity = std::abs(deviation->deviation.value) / *deviation->tolerance;
    }
    const auto graver = std::make_tuple(Rank(verdict), -severity);
    if (graver >= std::make_tuple(Rank(worst.verdict), -worst.severity)) continue;
    worst.verdict = verdict;
    worst.quantity = quantity;
    worst.severity = severity;
    worst.text = deviation ? DeviationText(*deviation, quantity) : "not measured";
  }
  return worst;
}

}  // namespace

std::string ChartQuantityName(ChartQuantity quantity) {
  switch (quantity) {
    case ChartQuantity::kLateral:
      return "lateral offset";
    case ChartQuantity::kHeight:
      return "height";
    case ChartQuantity::kGap:
      return "gap";
    case ChartQuantity::kToneBarYaw:
      return "tone bar yaw";
    case ChartQuantity::kDamperLift:
      break;
  }
  return "damper lift";
}

std::string ChartQuantityUnit(ChartQuantity quantity) {
  return quantity == ChartQuantity::kToneBarYaw ? "°" : "mm";
}

std::string ChartQuantitySide(ChartQuantity quantity, bool positive) {
  switch (quantity) {
    case ChartQuantity::kLateral:
    case ChartQuantity::kToneBarYaw:
      return positive ? "toward treble" : "toward bass";
    case ChartQuantity::kHeight:
      return positive ? "too high" : "too low";
    case ChartQuantity::kGap:
      return positive ? "too wide" : "too close";
    case ChartQuantity::kDamperLift:
      break;
  }
  return positive ? "pushed up" : "pulled down";
}

Verdict VerdictOf(const NoteMeasurement& note, ChartQuantity quantity) {
  switch (quantity) {
    case ChartQuantity::kLateral:
      return note.lateral_verdict;
    case ChartQuantity::kHeight:
      return note.height_verdict;
    case ChartQuantity::kGap:
      return note.gap_verdict;
    case ChartQuantity::kToneBarYaw:
    case ChartQuantity::kDamperLift:
      break;
  }
  return Verdict::kNotMeasured;
}

std::string VerdictWordOf(Verdict verdict, ChartQuantity quantity) {
  switch (quantity) {
    case ChartQuantity::kHeight:
      return VerdictWord(verdict, Quantity::kHeight);
    case ChartQuantity::kGap:
      return VerdictWord(verdict, Quantity::kGap);
    default:
      return VerdictWord(verdict, Quantity::kLateral);
  }
}

Verdict WorstVerdict(const NoteMeasurement& note) {
  Verdict worst = Verdict::kInTolerance;
  for (const ChartQuantity quantity : kJudged) {
    const Verdict verdict = VerdictOf(note, quantity);
    if (Rank(verdict) < Rank(worst)) worst = verdict;
  }
  return worst;
}

std::optional<Deviation> DeviationOf(const NoteMeasurement& note, ChartQuantity quantity,
                                     const InstrumentProfile* profile) {
  const std::optional<Measured>& value = ValueOf(note, quantity);
  if (!value || !std::isfinite(value->value) || !std::isfinite(value->expanded_u)) {
    return std::nullopt;
  }
  Deviation result;
  result.value = *value;
  result.verdict = VerdictOf(note, quantity);
  if (const NoteProfile* target = profile != nullptr ? profile->Find(note.midi) : nullptr) {
    switch (quantity) {
      case ChartQuantity::kLateral:
        result.tolerance = target->tolerance_lateral_mm;
        break;
      case ChartQuantity::kHeight:
        result.target = target->height_mm;
        result.tolerance = target->tolerance_height_mm;
        break;
      case ChartQuantity::kGap:
        result.target = target->gap_mm;
        result.tolerance = target->tolerance_gap_mm;
        break;
      case ChartQuantity::kToneBarYaw:
      case ChartQuantity::kDamperLift:
        break;
    }
  }
  result.deviation = {value->value - result.target, value->expanded_u};
  return result;
}

std::vector<FlaggedNote> FlaggedNotes(const VisitMeasurement& visit,
                                      const InstrumentProfile* profile, bool strict) {
  std::vector<FlaggedNote> flagged;
  for (const NoteMeasurement& note : visit.notes) {
    FlaggedNote worst = WorstOf(note, profile);
    if (worst.verdict == Verdict::kInTolerance) continue;
    const bool lateral_fine = note.lateral_verdict == Verdict::kInTolerance;
    if (!strict && lateral_fine && worst.verdict != Verdict::kOutOfTolerance) continue;
    flagged.push_back(std::move(worst));
  }
  std::stable_sort(flagged.begin(), flagged.end(), [](const FlaggedNote& a, const FlaggedNote& b) {
    return std::make_tuple(Rank(a.verdict), -a.severity) <
           std::make_tuple(Rank(b.verdict), -b.severity);
  });
  return flagged;
}

std::string DeviationText(const Deviation& deviation, ChartQuantity quantity) {
  const double value = deviation.deviation.value;
  const std::string amount = FixedDecimals(std::abs(value), 2);
  const std::string unit = quantity == ChartQuantity::kToneBarYaw ? "°" : " mm";
  if (amount == "0.00") return "0.00" + unit;
  return amount + unit + ' ' + ChartQuantitySide(quantity, value > 0.0);
}

std::string MeasuredText(const Measured& measured, ChartQuantity quantity) {
  const std::string value = FixedDecimals(measured.value, 2);
  const bool sign = quantity == ChartQuantity::kLateral || quantity == ChartQuantity::kToneBarYaw ||
                    quantity == ChartQuantity::kDamperLift;
  std::string text = sign && measured.value > 0.0 && value != "0.00" ? "+" + value : value;
  if (!text.empty() && text.front() == '-') text.replace(0, 1, "−");
  return text + " ± " + FixedDecimals(measured.expanded_u, 2) +
         (quantity == ChartQuantity::kToneBarYaw ? "°" : " mm");
}

}  // namespace tinesight
