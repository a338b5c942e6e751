#pragma once

#include <Eigen/Core>
#include <algorithm>
#include <opencv2/core/mat.hpp>
#include <optional>

namespace tinesight {

/// Where a checkerboard saddle point is expected.
struct SaddleStart {
  Eigen::Vector2d position_px = Eigen::Vector2d::Zero();
  Eigen::Vector2d right_px = Eigen::Vector2d::UnitX();  ///< picture of 1 mm along the one edge
  Eigen::Vector2d down_px = Eigen::Vector2d::UnitY();   ///< picture of 1 mm along the other
  double window_mm = 0.9;  ///< half size of the window, short of half the way to the next edge
  /// The same in the picture, along the edge that looks shorter.
  [[nodiscard]] double WindowPx() const {
    return window_mm * std::min(right_px.norm(), down_px.norm());
  }
};

struct SaddleFit {
  Eigen::Vector2d position_px = Eigen::Vector2d::Zero();
  double sigma_px = 0.0;   ///< standard uncertainty of a coordinate, from the residuals
  double blur_px = 0.0;    ///< Gaussian sigma of the blur
  double contrast = 0.0;   ///< gray values between black and white
  double explained = 0.0;  ///< share of the window's variance that the model explains, to 1
};

/// Fits I = b(x) + a erf(p / √2 σ) erf(q / √2 σ), with p and q the distances from the two edges,
/// b a plane. Two squares about one corner look the same turned by 180°, so neither blur nor ink
/// nor the tone curve can move the point; that is why the strips carry them. So that this holds,
/// the window follows the point. Nothing if the window leaves the picture or the fit does not
/// settle within the first one.
[[nodiscard]] std::optional<SaddleFit> FitSaddle(const cv::Mat& gray, const SaddleStart& start);

}  // namespace tinesight
