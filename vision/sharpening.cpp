#include "vision/sharpening.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <opencv2/imgproc.hpp>

namespace tinesight {
namespace {

/// Smoothed until about kGrainyNoise is left: a Gaussian of deviation s leaves 1 / (2 √π s) of
/// white noise.
cv::Mat Smoothed(const cv::Mat& picture, double noise_sigma) {
  const double sigma_px =
      noise_sigma / kGrainyNoise / (2.0 * std::sqrt(std::numbers::pi_v<double>));
  cv::Mat smooth;
  cv::GaussianBlur(picture, smooth, {}, sigma_px, 0.0, cv::BORDER_REPLICATE);
  return smooth;
}

}  // namespace

double NoiseSigma(const cv::Mat& gray) {
  if (gray.rows < 3 || gray.cols < 3) return 0.0;
  const cv::Matx33f difference(1, -2, 1, -2, 4, -2, 1, -2, 1);
  constexpr double kOfUnitNoise = 6.0;  // root of the sum of its squares
  cv::Mat left;
  cv::filter2D(gray, left, CV_16S, difference);
  constexpr int kMost = 8 * 255;
  std::array<std::size_t, kMost + 1> counts{};
  for (int r = 1; r < left.rows - 1; ++r) {
    const auto* row = left.ptr<short>(r);
    for (int c = 1; c < left.cols - 1; ++c) ++counts[static_cast<std::size_t>(std::abs(row[c]))];
  }
  const auto half =
      (static_cast<std::size_t>(left.rows) - 2) * (static_cast<std::size_t>(left.cols) - 2) / 2;
  std::size_t median = 0;
  for (std::size_t below = counts[0]; below <= half; below += counts[median]) ++median;
  constexpr double kMedianOverSigma = 0.6745;  // of normal noise's size
  return static_cast<double>(median) / kMedianOverSigma / kOfUnitNoise;
}

cv::Mat Sharpened(const cv::Mat& picture, double noise_sigma) {
  constexpr double kShare = 0.5;
  constexpr double kSigmaPx = 2.5;      // in a picture of
  constexpr double kLongSidePx = 4032;  // px, the long side
  const cv::Mat clear = noise_sigma > kGrainyNoise ? Smoothed(picture, noise_sigma) : picture;
  const double sigma_px = kSigmaPx / kLongSidePx * std::max(picture.cols, picture.rows);
  cv::Mat blurred;
  cv::GaussianBlur(clear, blurred, {}, sigma_px, 0.0, cv::BORDER_REPLICATE);
  cv::Mat sharpened;
  cv::addWeighted(clear, 1.0 + kShare, blurred, -kShare, 0.0, sharpened);
  return sharpened;
}

}  // namespace tinesight
