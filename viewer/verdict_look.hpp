#pragma once

#include <array>
#include <cstdint>

#include "alignment/verdict.hpp"

namespace tinesight {

/// Shapes that tell verdicts apart without color.
enum class VerdictShape { kDisc, kDiamond, kTriangle, kCross };

struct VerdictStyle {
  VerdictShape shape = VerdictShape::kCross;
  std::uint32_t on_dark = 0xBBBBBB;   ///< 0xRRGGBB
  std::uint32_t on_light = 0x5F6368;  ///< darker, so that it reads on paper-white
};

/// The same shapes and hues as on the annotated photos (record/overlay_style.hpp): of Okabe and
/// Ito's palette (Color Universal Design, 2008), apart for every common color blindness.
[[nodiscard]] constexpr VerdictStyle StyleOf(Verdict verdict) {
  switch (verdict) {
    case Verdict::kInTolerance:
      return {VerdictShape::kDisc, 0x56B4E9, 0x0068A8};
    case Verdict::kOutOfTolerance:
      return {VerdictShape::kDiamond, 0xFF8A3C, 0xB84A00};
    case Verdict::kUncertain:
      return {VerdictShape::kTriangle, 0xF0E442, 0x857500};
    case Verdict::kNotMeasured:
      break;
  }
  return {};
}

}  // namespace tinesight
