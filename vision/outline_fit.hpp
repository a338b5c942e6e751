#pragma once

#include <opencv2/core/mat.hpp>
#include <optional>
#include <vector>

#include "vision/rod_stretches.hpp"

namespace tinesight {

/// Which column of a straightened picture shows what distance across.
struct AcrossScale {
  double columns_per_mm = 1.0;
  double zero_column = 0.0;  ///< that shows 0 mm
  [[nodiscard]] double Column(double mm) const { return columns_per_mm * mm + zero_column; }
  [[nodiscard]] double Mm(double column) const { return (column - zero_column) / columns_per_mm; }
};

/// An outline point of a straight band: side −1 left, +1 right.
struct OutlinePoint {
  double along_mm = 0.0;
  double across_mm = 0.0;
  double side = 0.0;
  double strength = 0.0;
  double weight = 0.0;
};

/// A straight band by its outlines: a rod, or the face of a bar.
struct OutlineFit {
  RodLine line;  ///< its middle
  double half_width_mm = 0.0;
  double scatter_mm = 0.0;
  std::vector<OutlinePoint> points;
};

/// The strongest edge near where an outline is expected, to a fraction of a column; its place along
/// and its side are left to the caller. `usual`: the gradient that is usual in the picture.
[[nodiscard]] std::optional<OutlinePoint> FindOutline(const cv::Mat& gradient, int row,
                                                      const AcrossScale& scale, double usual,
                                                      double expected_mm, double window_mm);

struct OutlineFitOptions {
  double width_share = 0.04;         ///< standard deviation of the width, of the nominal one
  double turn_sigma_mm = 0.0;        ///< of root less tip about 0; 0: it is free
  double narrowest_window_mm = 0.1;  ///< of what counts, to either side of the outlines
  double widest_window_mm = 0.3;
};

/// Line and width through the outline points, from fit.line and fit.half_width_mm on: reweighted
/// least squares (Tukey), the width held to the nominal one by a prior. Sets weights and scatter.
void FitOutlinePoints(OutlineFit& fit, double span_mm, double nominal_half_width_mm,
                      const OutlineFitOptions& options = {});

/// How the weights of a fit's points lie along it.
struct OutlineExtent {
  double weight = 0.0;
  double middle_mm = 0.0;
  double deviation_mm = 0.0;
};
[[nodiscard]] OutlineExtent ExtentOf(const OutlineFit& fit);

}  // namespace tinesight
