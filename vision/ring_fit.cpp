#include "vision/ring_fit.hpp"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <numbers>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "calibration/median.hpp"
#include "vision/peak_shift.hpp"
#include "vision/straightened.hpp"

namespace tinesight {
namespace {

constexpr int kSpokes = 96;
constexpr double kStepMm = 0.04;

Eigen::Vector2d SpokeDirection(int spoke) {
  const double angle = 2.0 * std::numbers::pi * spoke / kSpokes;
  return {std::cos(angle), std::sin(angle)};
}

/// The picture along the spokes, CV_32FC3. Spokes next to each other see the same circle: averaging
/// over three of them costs nothing.
cv::Mat ReadSpokes(const PhotoView& view, const Eigen::Vector3d& center_mm, double inner_mm,
                   int steps) {
  cv::Mat picture = LookedAt(view, {steps, kSpokes}, [&](int spoke, int step) {
    const Eigen::Vector2d beside = (inner_mm + kStepMm * step) * SpokeDirection(spoke);
    return Eigen::Vector3d(center_mm + Eigen::Vector3d(beside.x(), beside.y(), 0.0));
  });
  cv::copyMakeBorder(picture, picture, 2, 2, 0, 0, cv::BORDER_WRAP);
  cv::GaussianBlur(picture, picture, {0, 0}, 0.12 / kStepMm, 0.8);
  return picture.rowRange(2, 2 + kSpokes);
}

cv::Mat AlongSpokes(const cv::Mat& picture) {
  cv::Mat gradient;
  cv::Sobel(picture, gradient, CV_32F, 1, 0, 1, 0.5);
  return gradient;
}

/// How fast the color changes along the spokes, whatever the brightness does.
cv::Mat ColorGradient(const cv::Mat& bgr) {
  std::vector<cv::Mat> channels;
  cv::split(bgr, channels);
  const cv::Mat red_green = channels[2] - channels[1];
  const cv::Mat yellow_blue = 0.5 * (channels[2] + channels[1]) - channels[0];
  cv::Mat magnitude;
  cv::magnitude(AlongSpokes(red_green), AlongSpokes(yellow_blue), magnitude);
  return magnitude;
}

/// Gradient magnitudes to edge strength: 0.5 where twice the usual one is reached.
cv::Mat Saturated(const cv::Mat& magnitude, double usual) {
  const cv::Mat squares = magnitude.mul(magnitude);
  cv::Mat strength;
  cv::divide(squares, squares + 4.0 * usual * usual, strength);
  return strength;
}

/// Light draws edges of its own beside those of a thing: a rim's bevel shines, its side lies in
/// shade. They are as gray as the thing is. So where the color changes, that is the outline, and
/// edges of brightness near it don't count.
cv::Mat EdgeStrength(const cv::Mat& bgr) {
  constexpr double kNearMm = 0.5;
  constexpr double kFaintestGray = 0.05;  // gray levels a step, as the usual change at least
  // With half of either, a JPEG's color noise moved rings: on the sample photos 0.077 mm sideways
  // from two stations for 0.066; with twice as much 0.069.
  constexpr double kFaintestColor = 0.7;  // gray levels a step
  constexpr double kColorShare = 0.3;     // of the usual change of brightness
  cv::Mat gray;
  cv::cvtColor(bgr, gray, cv::COLOR_BGR2GRAY);
  const cv::Mat brightness = cv::abs(AlongSpokes(gray));
  const double usual = std::max(kFaintestGray, cv::mean(brightness)[0]);
  const cv::Mat color =
      Saturated(ColorGradient(bgr), std::max(kFaintestColor, kColorShare * usual));
  cv::Mat color_near;
  const int near_steps = cvRound(kNearMm / kStepMm);
  cv::dilate(color, color_near, cv::Mat::ones(1, 2 * near_steps + 1, CV_8U));
  const cv::Mat alone = Saturated(brightness, usual).mul(1.0 - color_near);
  return cv::max(color, alone);
}

struct EdgePoint {
  Eigen::Vector2d direction;
  double residual_mm = 0.0;  // found radius minus the start ring's
  double strength = 0.0;
};

/// Center offset and (optionally) radius from edge points, iteratively reweighted (Tukey).
struct RingSolution {
  Eigen::Vector3d offset = Eigen::Vector3d::Zero();
  double scatter_mm = 0.0;
  double center_variance_factor = 0.0;
  double inlier_share = 0.0;
};

std::optional<RingSolution> SolveRing(const std::vector<EdgePoint>& points, bool free_radius) {
  RingSolution solution;
  double tukey = 1e9;
  for (int iteration = 0; iteration < 12; ++iteration) {
    Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
    Eigen::Vector3d right = Eigen::Vector3d::Zero();
    std::vector<double> residuals;
    int inliers = 0;
    for (const EdgePoint& p : points) {
      const Eigen::Vector3d row(p.direction.x(), p.direction.y(), free_radius ? 1.0 : 0.0);
      const double residual = p.residual_mm - row.dot(solution.offset);
      residuals.push_back(std::abs(residual));
      const double u = residual / tukey;
      if (std::abs(u) >= 1.0) continue;
      const double weight = p.strength * (1.0 - u * u) * (1.0 - u * u);
      normal += weight * row * row.transpose();
      right += weight * row * p.residual_mm;
      ++inliers;
    }
    if (!free_radius) normal(2, 2) = 1.0;
    if (inliers < kSpokes / 6) return std::nullopt;
    const Eigen::FullPivLU<Eigen::Matrix3d> lu(normal);
    if (lu.rcond() < 1e-4) return std::nullopt;
    solution.offset = lu.solve(right);
    solution.scatter_mm = std::max(0.01, RobustDeviation(residuals));
    tukey = std::max(0.08, 4.0 * solution.scatter_mm);
    const Eigen::Matrix3d inverse = lu.inverse();
    solution.center_variance_factor = 0.5 * (inverse(0, 0) + inverse(1, 1));
    solution.inlier_share = static_cast<double>(inliers) / kSpokes;
  }
  return solution;
}

}  // namespace

RingProfiles::RingProfiles(const PhotoView& view, const Eigen::Vector3d& center_mm, double inner_mm,
                           double outer_mm)
    : inner_mm_(std::max(0.0, inner_mm)), step_mm_(kStepMm) {
  const int steps = static_cast<int>((outer_mm - inner_mm_) / step_mm_) + 1;
  strength_ = EdgeStrength(ReadSpokes(view, center_mm, inner_mm_, steps));
}

double RingProfiles::RadiusAt(int spoke, const Eigen::Vector2d& offset_mm,
                              const RingOutline& outline) {
  const Eigen::Vector2d e = SpokeDirection(spoke);
  const auto circle = [&](const Eigen::Vector2d& middle_mm) {
    const double across = middle_mm.x() * e.y() - middle_mm.y() * e.x();
    const double inside = outline.radius_mm * outline.radius_mm - across * across;
    return inside <= 0.0 ? -1.0 : middle_mm.dot(e) + std::sqrt(inside);
  };
  const double front = circle(offset_mm);
  return outline.back_mm.isZero() ? front : std::max(front, circle(offset_mm + outline.back_mm));
}

double RingProfiles::Energy(const Eigen::Vector2d& offset_mm, const RingOutline& outline) const {
  double sum = 0.0;
  for (int k = 0; k < kSpokes; ++k) {
    const double position = (RadiusAt(k, offset_mm, outline) - inner_mm_) / step_mm_;
    const int i = cvRound(position);
    if (i < 0 || i >= strength_.cols) continue;
    sum += static_cast<double>(strength_.at<float>(k, i));
  }
  return sum / kSpokes;
}

std::optional<RingFit> RingProfiles::Fit(const Eigen::Vector2d& start_offset_mm,
                                         const RingOutline& outline, double window_mm,
                                         bool free_radius) const {
  std::vector<EdgePoint> points;
  const int half = std::max(2, cvRound(window_mm / step_mm_));
  for (int k = 0; k < kSpokes; ++k) {
    const double predicted = RadiusAt(k, start_offset_mm, outline);
    const int middle = cvRound((predicted - inner_mm_) / step_mm_);
    int best = -1;
    float best_value = 0.15F;
    for (int i = std::max(1, middle - half); i <= std::min(strength_.cols - 2, middle + half);
         ++i) {
      const float v = strength_.at<float>(k, i);
      if (v > best_value && v >= strength_.at<float>(k, i - 1) &&
          v >= strength_.at<float>(k, i + 1)) {
        best = i;
        best_value = v;
      }
    }
    if (best < 0) continue;
    const double left = static_cast<double>(strength_.at<float>(k, best - 1));
    const double right = static_cast<double>(strength_.at<float>(k, best + 1));
    const double top = best + PeakShift(left, static_cast<double>(best_value), right);
    points.push_back({SpokeDirection(k), inner_mm_ + step_mm_ * top - predicted,
                      static_cast<double>(best_value)});
  }
  if (points.size() < kSpokes / 4) return std::nullopt;
  const auto solution = SolveRing(points, free_radius);
  if (!solution) return std::nullopt;
  RingFit fit;
  fit.offset_mm = start_offset_mm + solution->offset.head<2>();
  fit.radius_offset_mm = free_radius ? solution->offset.z() : 0.0;
  fit.scatter_mm = solution->scatter_mm;
  // Edge points on spokes next to each other share their picture: a third count as independent.
  fit.sigma_mm = solution->scatter_mm * std::sqrt(3.0 * solution->center_variance_factor);
  fit.coverage = solution->inlier_share;
  return fit;
}

BestOffset ScanOffsets(const RingProfiles& profiles, const Eigen::Vector2d& middle_mm,
                       const RingOutline& outline, double half_mm, double step_mm) {
  BestOffset best;
  const int n = static_cast<int>(std::ceil(half_mm / step_mm));
  for (int i = -n; i <= n; ++i) {
    for (int j = -n; j <= n; ++j) {
      const Eigen::Vector2d offset = middle_mm + step_mm * Eigen::Vector2d(i, j);
      const double energy = profiles.Energy(offset, outline);
      if (energy > best.energy) best = {offset, energy};
    }
  }
  return best;
}

}  // namespace tinesight
