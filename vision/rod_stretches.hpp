#pragma once

#include <opencv2/core/mat.hpp>
#include <vector>

#include "vision/straightened.hpp"

namespace tinesight {

/// A straightened picture gathered to stretches, at least 25 to a tine: each pixel is the median of
/// its rows, so that glitter and grain go and edges along the rod stay.
struct RodStretches {
  cv::Mat bgr;                   // CV_32FC3, stretches x columns
  double length_mm = 0.0;        // of each stretch
  std::vector<double> along_mm;  // middle of each stretch
};

[[nodiscard]] RodStretches GatherStretches(const Straightened& picture);

/// Rows of a part of a straightened picture, mixed with their neighbors by a fiftieth of the part's
/// length; 72 at most, evenly spread. Finer than stretches, and not medians: what lies beside a rod
/// and what it shows change together from row to row.
[[nodiscard]] RodStretches GatherRows(const Straightened& picture, double from_mm, double to_mm);

/// Gradient across of the stretches, norm over the color channels: CV_32F, stretches x columns.
[[nodiscard]] cv::Mat GradientNorm(const cv::Mat& bgr);

/// A line in the straightened picture: offset across at the pickup's face and at the root.
struct RodLine {
  double tip_mm = 0.0;
  double root_mm = 0.0;
  [[nodiscard]] double At(double along_mm, double span_mm) const {
    return tip_mm + (root_mm - tip_mm) * along_mm / span_mm;
  }
};

/// A rod as a straightened picture shows it.
struct ShownRod {
  double diameter_mm = 1.0;
  double span_mm = 1.0;  ///< along: where RodLine::root_mm is counted; tip_mm is at 0
};

/// A line moved across, by `first_mm` at the first row and by `last_mm` at the last of several.
[[nodiscard]] RodLine MovedAcross(const RodLine& line, const RodStretches& rows, double span_mm,
                                  double first_mm, double last_mm);

}  // namespace tinesight
