#include "vision/rod_outlines.hpp"

#include <cmath>

#include "calibration/median.hpp"

namespace tinesight {

OutlineFit RefineRod(const Straightened& picture, const RodStretches& stretches,
                     const TinePrediction& p, const RodLine& start, const std::vector<int>& rows,
                     const std::vector<double>& shares) {
  const double span_mm = p.gap_mm + p.length_mm;
  const cv::Mat gradient = GradientNorm(stretches.bgr);
  const auto usual = static_cast<double>(
      MedianOf(std::vector<float>(gradient.begin<float>(), gradient.end<float>())));
  const AcrossScale scale{1.0 / Straightened::kAcrossStepMm, picture.Column(0.0)};
  OutlineFit fit;
  fit.line = start;
  fit.half_width_mm = 0.5 * p.diameter_mm;
  for (const double window_mm : {0.15, 0.15}) {
    std::vector<OutlinePoint> points;
    for (std::size_t k = 0; k < rows.size(); ++k) {
      const int row = rows[k];
      const double along = stretches.along_mm[static_cast<std::size_t>(row)];
      const double middle = fit.line.At(along, span_mm);
      for (const double side : {-1.0, 1.0}) {
        auto point =
            FindOutline(gradient, row, scale, usual, middle + side * fit.half_width_mm, window_mm);
        if (!point) continue;
        point->along_mm = along;
        point->side = side;
        point->strength *= shares[k];
        points.push_back(*point);
      }
    }
    if (points.size() < 6) return {};
    fit.points = std::move(points);
    FitOutlinePoints(fit, span_mm, 0.5 * p.diameter_mm);
  }
  return fit;
}

std::vector<AxisPoint> GatherAxis(const Straightened& picture, const OutlineFit& fit,
                                  const RodReading& reading, double span_mm) {
  const OutlineExtent extent = ExtentOf(fit);
  if (extent.weight < 2.0 || extent.deviation_mm < 1.0) return {};
  std::vector<AxisPoint> axis;
  for (const double side : {-1.0, 1.0}) {
    AxisPoint point;
    point.along_mm = extent.middle_mm + side * extent.deviation_mm;
    point.position_px = picture.PhotoPx(point.along_mm, reading.line.At(point.along_mm, span_mm));
    point.sigma_px = reading.SigmaMm(point.along_mm) * picture.PxPerMm(point.along_mm);
    axis.push_back(point);
  }
  return axis;
}

}  // namespace tinesight
