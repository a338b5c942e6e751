#include "vision/outline_fit.hpp"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

#include "calibration/median.hpp"
#include "vision/peak_shift.hpp"

namespace tinesight {

std::optional<OutlinePoint> FindOutline(const cv::Mat& gradient, int row, const AcrossScale& scale,
                                        double usual, double expected_mm, double window_mm) {
  const auto* g = gradient.ptr<float>(row);
  const int from = std::max(1, cvRound(scale.Column(expected_mm - window_mm)));
  const int to = std::min(gradient.cols - 2, cvRound(scale.Column(expected_mm + window_mm)));
  int best = -1;
  double best_value = 0.0;
  for (int c = from; c <= to; ++c) {
    if (g[c] < g[c - 1] || g[c] < g[c + 1]) continue;
    const double off = (scale.Mm(c) - expected_mm) / window_mm;
    const double value = static_cast<double>(g[c]) * (1.0 - 0.6 * off * off);
    if (value > best_value) {
      best_value = value;
      best = c;
    }
  }
  if (best < 0) return std::nullopt;
  const double m = static_cast<double>(g[best]);
  OutlinePoint point;
  point.across_mm = scale.Mm(
      best + PeakShift(static_cast<double>(g[best - 1]), m, static_cast<double>(g[best + 1])));
  point.strength = m * m / (m * m + 4.0 * usual * usual);
  return point;
}

void FitOutlinePoints(OutlineFit& fit, double span_mm, double nominal_half_width_mm,
                      const OutlineFitOptions& options) {
  const double width_sigma_mm = options.width_share * nominal_half_width_mm;
  double tukey = options.widest_window_mm;
  for (int iteration = 0; iteration < 15; ++iteration) {
    Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
    Eigen::Vector3d right = Eigen::Vector3d::Zero();
    std::vector<float> residuals;
    for (OutlinePoint& p : fit.points) {
      const double share = p.along_mm / span_mm;
      const Eigen::Vector3d row(1.0 - share, share, p.side);
      const Eigen::Vector3d state(fit.line.tip_mm, fit.line.root_mm, fit.half_width_mm);
      const double residual = p.across_mm - row.dot(state);
      residuals.push_back(static_cast<float>(std::abs(residual)));
      const double u = residual / tukey;
      p.weight = std::abs(u) < 1.0 ? p.strength * (1.0 - u * u) * (1.0 - u * u) : 0.0;
      normal += p.weight * row * row.transpose();
      right += p.weight * row * p.across_mm;
    }
    fit.scatter_mm = std::max(0.01, RobustDeviation(residuals));
    tukey = std::clamp(4.0 * fit.scatter_mm, options.narrowest_window_mm, options.widest_window_mm);
    const double variance = fit.scatter_mm * fit.scatter_mm;
    const double width_weight = variance / (width_sigma_mm * width_sigma_mm);
    normal(2, 2) += width_weight;
    right(2) += width_weight * nominal_half_width_mm;
    if (options.turn_sigma_mm > 0.0) {
      const Eigen::Vector3d turn(-1.0, 1.0, 0.0);
      normal +=
          variance / (options.turn_sigma_mm * options.turn_sigma_mm) * turn * turn.transpose();
    }
    const Eigen::Vector3d state = normal.ldlt().solve(right);
    if (!state.allFinite()) return;
    fit.line = {state.x(), state.y()};
    fit.half_width_mm = state.z();
  }
}

OutlineExtent ExtentOf(const OutlineFit& fit) {
  double sum = 0.0;
  double squares = 0.0;
  OutlineExtent extent;
  for (const OutlinePoint& p : fit.points) {
    extent.weight += p.weight;
    sum += p.weight * p.along_mm;
    squares += p.weight * p.along_mm * p.along_mm;
  }
  if (extent.weight <= 0.0) return extent;
  extent.middle_mm = sum / extent.weight;
  extent.deviation_mm =
      std::sqrt(std::max(0.0, squares / extent.weight - extent.middle_mm * extent.middle_mm));
  return extent;
}

}  // namespace tinesight
