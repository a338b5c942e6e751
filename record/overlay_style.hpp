#pragma once

// For record/ alone: sizes, colors and shapes that notes, caption and legend of an annotated photo
// share.
#include <algorithm>
#include <array>
#include <cstddef>
#include <string>
#include <utility>
#include <vector>

#include "alignment/measurement.hpp"
#include "record/canvas.hpp"

namespace tinesight {

// All sizes are for a picture of 4032 px and scale with it; at a third of the size the small text
// is then still 11 px high.
inline constexpr double kReferenceSizePx = 4032.0;
inline constexpr double kNameSizePx = 44.0;
inline constexpr double kTextSizePx = 36.0;
inline constexpr double kPaddingPx = 12.0;

struct VerdictLook {
  MarkShape shape;
  Color color;
};

inline VerdictLook LookOf(Verdict verdict) {
  switch (verdict) {
    case Verdict::kInTolerance:
      return {MarkShape::kDisc, kSkyBlue};
    case Verdict::kOutOfTolerance:
      return {MarkShape::kDiamond, Rgb(0xFF8A3C)};  // vermilion, light enough for text on black
    case Verdict::kUncertain:
      return {MarkShape::kTriangle, kYellow};
    case Verdict::kNotMeasured:
      break;
  }
  return {MarkShape::kCross, kGray};
}

struct LabelLine {
  std::string text;
  double size_px;
  Color color;
  bool bold;
};

/// A line whose width and dashes are those of a picture of 4032 px.
inline LineStyle ScaledStyle(double scale, const Color& color, double width_px,
                             std::vector<double> dashes_px = {}) {
  for (double& dash : dashes_px) dash *= scale;
  return {color, std::max(2.0, width_px * scale), std::move(dashes_px), 0.7};
}
inline LineStyle FoundStyle(double scale) { return ScaledStyle(scale, kOrange, 4.0); }
inline LineStyle ProlongedStyle(double scale) {
  return ScaledStyle(scale, kOrange, 4.0, {9.0, 7.0});
}
inline LineStyle IdealStyle(double scale) {
  return ScaledStyle(scale, kSkyBlue, 4.0, {22.0, 14.0});
}
inline LineStyle RingStyle(double scale) { return ScaledStyle(scale, kYellow, 3.5); }
inline LineStyle ArrowStyle(double scale) { return ScaledStyle(scale, kWhite, 7.0); }

/// Notes by lateral verdict, indexed by Verdict.
using VerdictCounts = std::array<std::size_t, 4>;

/// The strip at the top: which photo, how many notes of which verdict, warnings. Gives the y below
/// which the picture is free.
double DrawCaption(Canvas& canvas, double scale, const PhotoMeasurement& photo,
                   const VerdictCounts& counts);

/// The strip at the bottom: what the lines and marks mean. Gives the y above which the picture is
/// free.
double DrawLegend(Canvas& canvas, double scale);

}  // namespace tinesight
