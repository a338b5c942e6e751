#pragma once

#include <Eigen/Core>
#include <algorithm>
#include <functional>
#include <opencv2/core/mat.hpp>

#include "vision/photo_view.hpp"

namespace tinesight {

/// A photo looked at where `point` says for each row and column, carrier frame, mm; CV_32FC3.
[[nodiscard]] cv::Mat LookedAt(const PhotoView& view, cv::Size size,
                               const std::function<Eigen::Vector3d(int row, int column)>& point);

/// The picture along a predicted straight feature, made straight: row i looks at the place
/// `along_mm(i)` on the axis (mm from the pickup's face toward the mount), column j at
/// `across_mm(j)` to the side, square to the axis and to the line of sight (+ = toward the
/// carrier's +x, the right of an upright picture).
class Straightened {
 public:
  struct Axis {
    Eigen::Vector3d start_mm = Eigen::Vector3d::Zero();  ///< at along = 0
    Eigen::Vector3d toward_mount = -Eigen::Vector3d::UnitZ();
  };

  Straightened(const PhotoView& view, const Axis& axis, double from_mm, double to_mm,
               double half_width_mm);

  [[nodiscard]] int Rows() const { return bgr_.rows; }
  [[nodiscard]] int Columns() const { return bgr_.cols; }
  [[nodiscard]] double AlongMm(double row) const { return from_mm_ + kAlongStepMm * row; }
  [[nodiscard]] double AcrossMm(double column) const { return kAcrossStepMm * column - half_mm_; }
  [[nodiscard]] double Row(double along_mm) const { return (along_mm - from_mm_) / kAlongStepMm; }
  [[nodiscard]] double Column(double across_mm) const {
    return (across_mm + half_mm_) / kAcrossStepMm;
  }
  /// Where a place of the straightened picture is in the photo.
  [[nodiscard]] Eigen::Vector2d PhotoPx(double along_mm, double across_mm) const;
  /// The photo looked at where `place` says for each row and column, along and across, mm;
  /// CV_32FC3.
  [[nodiscard]] cv::Mat Looked(
      cv::Size size, const std::function<Eigen::Vector2d(int row, int column)>& place) const;
  /// How far to the side of the axis a point lies that is `along_mm` from the pickup's face.
  [[nodiscard]] double AcrossOf(const Eigen::Vector3d& point_mm, double along_mm) const;
  /// Photo px per mm across at a place.
  [[nodiscard]] double PxPerMm(double along_mm) const;
  /// How long a short piece of the axis looks, over how wide one of the same size across it looks:
  /// the sine of the angle between axis and line of sight.
  [[nodiscard]] double Foreshortening(double along_mm) const;

  [[nodiscard]] const cv::Mat& Bgr() const { return bgr_; }  ///< CV_32FC3

  static constexpr double kAlongStepMm = 0.5;
  static constexpr double kAcrossStepMm = 0.05;

 private:
  [[nodiscard]] Eigen::Vector3d Point(double along_mm, double across_mm) const;

  const PhotoView& view_;
  Axis axis_;
  Eigen::Vector3d camera_center_mm_;
  double from_mm_;
  double half_mm_;
  cv::Mat bgr_;
};

/// What a row of a picture shows between two of its columns; beyond its ends, what it shows there.
template <typename T>
[[nodiscard]] T BetweenColumns(const T* row, int columns, double column) {
  const double x = std::clamp(column, 0.0, columns - 1.001);
  const int left = static_cast<int>(x);
  const auto f = static_cast<float>(x - left);
  return row[left] * (1.0F - f) + row[left + 1] * f;
}

}  // namespace tinesight
