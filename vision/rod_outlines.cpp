#include "vision/rod_outlines.hpp"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <optional>

#include "calibration/median.hpp"

namespace tinesight {
namespace {

/// The strongest edge near where an outline is expected, to a fraction of a column.
std::optional<OutlinePoint> FindOutline(const Straightened& picture, const cv::Mat& gradient,
                                        double usual, int row, double expected_mm,
                                        double window_mm) {
  const auto* g = gradient.ptr<float>(row);
  const int from = std::max(1, cvRound(picture.Column(expected_mm - window_mm)));
  const int to = std::min(gradient.cols - 2, cvRound(picture.Column(expected_mm + window_mm)));
  int best = -1;
  double best_value = 0.0;
  for (int c = from; c <= to; ++c) {
    if (g[c] < g[c - 1] || g[c] < g[c + 1]) continue;
    const double off = (picture.AcrossMm(c) - expected_mm) / window_mm;
    const double value = static_cast<double>(g[c]) * (1.0 - 0.6 * off * off);
    if (value > best_value) {
      best_value = value;
      best = c;
    }
  }
  if (best < 0) return std::nullopt;
  const double l = static_cast<double>(g[best - 1]);
  const double m = static_cast<double>(g[best]);
  const double r = static_cast<double>(g[best + 1]);
  const double curvature = l - 2.0 * m + r;
  const double shift = curvature < -1e-9 ? 0.5 * (l - r) / curvature : 0.0;
  OutlinePoint point;
  point.across_mm = picture.AcrossMm(best + shift);
  point.strength = m * m / (m * m + 4.0 * usual * usual);
  return point;
}

/// Line and width through the outline points: reweighted least squares (Tukey), the width held to
/// the known diameter by a prior of 4 %.
void SolveRod(RodFit& fit, double span_mm, double nominal_half_width_mm) {
  double tukey = 0.3;
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
    fit.scatter_mm = std::max(0.01, 1.4826 * static_cast<double>(MedianOf(residuals)));
    tukey = std::clamp(4.0 * fit.scatter_mm, 0.1, 0.3);
    const double prior = fit.scatter_mm * fit.scatter_mm /
                         (0.04 * 0.04 * nominal_half_width_mm * nominal_half_width_mm);
    normal(2, 2) += prior;
    right(2) += prior * nominal_half_width_mm;
    const Eigen::Vector3d state = normal.ldlt().solve(right);
    if (!state.allFinite()) return;
    fit.line = {state.x(), state.y()};
    fit.half_width_mm = state.z();
  }
}

}  // namespace

RodFit RefineRod(const Straightened& picture, const RodStretches& stretches,
                 const TinePrediction& p, const RodLine& start, const std::vector<int>& rows,
                 const std::vector<double>& shares) {
  const double span_mm = p.gap_mm + p.length_mm;
  const cv::Mat gradient = GradientNorm(stretches.bgr);
  const auto usual = static_cast<double>(
      MedianOf(std::vector<float>(gradient.begin<float>(), gradient.end<float>())));
  RodFit fit;
  fit.line = start;
  fit.half_width_mm = 0.5 * p.diameter_mm;
  for (const double window_mm : {0.15, 0.15}) {
    std::vector<OutlinePoint> points;
    for (std::size_t k = 0; k < rows.size(); ++k) {
      const int row = rows[k];
      const double along = stretches.along_mm[static_cast<std::size_t>(row)];
      const double middle = fit.line.At(along, span_mm);
      for (const double side : {-1.0, 1.0}) {
        auto point = FindOutline(picture, gradient, usual, row, middle + side * fit.half_width_mm,
                                 window_mm);
        if (!point) continue;
        point->along_mm = along;
        point->side = side;
        point->strength *= shares[k];
        points.push_back(*point);
      }
    }
    if (points.size() < 6) return {};
    fit.points = std::move(points);
    SolveRod(fit, span_mm, 0.5 * p.diameter_mm);
  }
  return fit;
}

std::vector<AxisPoint> GatherAxis(const Straightened& picture, const RodFit& fit, double span_mm) {
  double weight = 0.0;
  double sum = 0.0;
  double squares = 0.0;
  for (const OutlinePoint& p : fit.points) {
    weight += p.weight;
    sum += p.weight * p.along_mm;
    squares += p.weight * p.along_mm * p.along_mm;
  }
  if (weight < 2.0) return {};
  const double middle = sum / weight;
  const double deviation = std::sqrt(std::max(0.0, squares / weight - middle * middle));
  if (deviation < 1.0) return {};
  std::vector<AxisPoint> axis;
  for (const double side : {-1.0, 1.0}) {
    AxisPoint point;
    point.along_mm = middle + side * deviation;
    point.position_px = picture.PhotoPx(point.along_mm, fit.line.At(point.along_mm, span_mm));
    point.sigma_px = fit.scatter_mm * std::sqrt(2.0 / weight) * picture.PxPerMm(point.along_mm);
    axis.push_back(point);
  }
  return axis;
}

}  // namespace tinesight
