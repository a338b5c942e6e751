#include "vision/pole_reading.hpp"

#include <algorithm>
#include <cmath>
#include <opencv2/core.hpp>

#include "vision/network.hpp"
#include "vision/straightened.hpp"

namespace tinesight {
namespace {

// As in vision/training, train_poles.py.
constexpr int kSide = 64;  // of the picture
constexpr double kStepMm = 0.125;
constexpr int kCells = 16;  // to each side of what the network tells
constexpr int kCellSteps = kSide / kCells;
constexpr double kUnitMm = 0.1;
constexpr double kUsualWideMm = 3.0;
constexpr double kLeastWideMm = 1.4;  // of the poles that it learned from
constexpr double kMostWideMm = 5.8;
constexpr double kLeastLogWeight = -6.0;
constexpr double kMostLogWeight = 6.0;

constexpr double kFarthestMm = 1.0;
constexpr double kMostSigmaMm = 0.25;

struct Told {
  Eigen::Vector2d place_mm = Eigen::Vector2d::Zero();
  Eigen::Vector2d log_weight = Eigen::Vector2d::Zero();  // of x and of y, 1 / kUnitMm^2
};

/// Means over the cells by how likely they are; `told`: logits and logarithms of weights of all.
Told OverCells(const cv::Mat& told) {
  const cv::Mat maps = told.reshape(1, 3);
  double most = 0.0;
  cv::minMaxLoc(maps.row(0), nullptr, &most);
  Told result;
  double sum = 0.0;
  for (int k = 0; k < maps.cols; ++k) {
    const double likely = std::exp(maps.at<float>(0, k) - most);
    const auto at_mm = [](int cell) { return (kCellSteps * cell - 0.5 * (kSide - 1)) * kStepMm; };
    result.place_mm += likely * Eigen::Vector2d(at_mm(k % kCells), at_mm(k / kCells));
    result.log_weight += likely * Eigen::Vector2d(maps.at<float>(1, k), maps.at<float>(2, k));
    sum += likely;
  }
  result.place_mm /= sum;
  result.log_weight = (result.log_weight / sum).cwiseMax(kLeastLogWeight).cwiseMin(kMostLogWeight);
  return result;
}

PolePlace ReadAbout(const PhotoView& view, const Eigen::Vector3d& middle_mm, double wide_mm) {
  const cv::Mat picture = LookedAt(view, {kSide, kSide}, [&](int row, int column) {
    const Eigen::Vector3d beside(column - 0.5 * (kSide - 1), row - 0.5 * (kSide - 1), 0.0);
    return Eigen::Vector3d(middle_mm + kStepMm * beside);
  });
  const double known_mm = std::clamp(wide_mm, kLeastWideMm, kMostWideMm);
  const cv::Mat told = TellBothWays(kPoleReading, picture, std::log(known_mm / kUsualWideMm));
  const Told seen = OverCells(told.row(0));
  Told mirrored = OverCells(told.row(1));
  mirrored.place_mm.x() *= -1.0;
  const double weight = std::exp(0.25 * (seen.log_weight + mirrored.log_weight).sum());
  return {0.5 * (seen.place_mm + mirrored.place_mm), kUnitMm / std::sqrt(weight)};
}

}  // namespace

std::optional<PolePlace> ReadPole(const PhotoView& view, const Eigen::Vector3d& expected_mm,
                                  double wide_mm) {
  constexpr int kReadings = 2;  // what lies in the middle is read best
  PolePlace place;
  for (int i = 0; i < kReadings; ++i) {
    const Eigen::Vector3d from(place.offset_mm.x(), place.offset_mm.y(), 0.0);
    const PolePlace nearer = ReadAbout(view, expected_mm + from, wide_mm);
    place = {place.offset_mm + nearer.offset_mm, nearer.sigma_mm};
  }
  if (place.offset_mm.norm() > kFarthestMm || place.sigma_mm > kMostSigmaMm) return std::nullopt;
  return place;
}

}  // namespace tinesight
