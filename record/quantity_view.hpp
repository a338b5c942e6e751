#pragma once

// For record/ alone: a note's three judged quantities, one like the other.
#include <array>
#include <cmath>
#include <optional>
#include <string>

#include "alignment/measurement.hpp"
#include "alignment/profile.hpp"
#include "record/text_util.hpp"

namespace tinesight {

struct QuantityView {
  Quantity quantity;
  const char* name;
  std::optional<Measured> NoteMeasurement::*measured;
  Verdict NoteMeasurement::*verdict;
  double NoteProfile::*tolerance_mm;

  /// The target is 0 for the lateral offset.
  [[nodiscard]] double TargetMm(const NoteProfile& profile) const {
    if (quantity == Quantity::kHeight) return profile.height_mm;
    return quantity == Quantity::kGap ? profile.gap_mm : 0.0;
  }
};

inline constexpr std::array<QuantityView, 3> kQuantities{{
    {Quantity::kLateral, "lateral", &NoteMeasurement::lateral_mm, &NoteMeasurement::lateral_verdict,
     &NoteProfile::tolerance_lateral_mm},
    {Quantity::kHeight, "height", &NoteMeasurement::height_mm, &NoteMeasurement::height_verdict,
     &NoteProfile::tolerance_height_mm},
    {Quantity::kGap, "gap", &NoteMeasurement::gap_mm, &NoteMeasurement::gap_verdict,
     &NoteProfile::tolerance_gap_mm},
}};

inline const QuantityView& ViewOf(Quantity quantity) {
  return kQuantities[static_cast<std::size_t>(quantity)];
}

/// "0.92 mm toward treble", "1.21 mm": a lateral offset says its side, the others are as they are.
inline std::string ValueText(Quantity quantity, double value_mm) {
  if (quantity != Quantity::kLateral) return FixedDecimals(value_mm, 2) + " mm";
  const std::string side = LateralDirection(value_mm);
  return FixedDecimals(std::abs(value_mm), 2) + " mm" + (side.empty() ? "" : " " + side);
}

/// "0.92 mm toward treble, U 0.06: re-center"
inline std::string JudgedText(const QuantityView& view, const NoteMeasurement& note) {
  const std::optional<Measured>& measured = note.*view.measured;
  std::string word = VerdictWord(note.*view.verdict, view.quantity);
  if (!measured) return word;
  return ValueText(view.quantity, measured->value) + ", U " +
         FixedDecimals(measured->expanded_u, 2) + ": " + word;
}

}  // namespace tinesight
