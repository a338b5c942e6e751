#include "vision/straightened.hpp"

#include <cmath>
#include <opencv2/imgproc.hpp>

namespace tinesight {
namespace {
// Rows are averages over this many looks, so that a row sees all of its 0.5 mm.
constexpr int kLooksPerRow = 4;
}  // namespace

cv::Mat LookedAt(const PhotoView& view, cv::Size size,
                 const std::function<Eigen::Vector3d(int, int)>& point) {
  cv::Mat map(size, CV_32FC2);
  for (int r = 0; r < map.rows; ++r) {
    for (int c = 0; c < map.cols; ++c) {
      const Eigen::Vector2d px = view.Project(point(r, c));
      map.at<cv::Vec2f>(r, c) = {static_cast<float>(px.x()), static_cast<float>(px.y())};
    }
  }
  cv::Mat looked;
  cv::remap(view.bgr, looked, map, {}, cv::INTER_LINEAR, cv::BORDER_REPLICATE);
  looked.convertTo(looked, CV_32F);
  return looked;
}

Straightened::Straightened(const PhotoView& view, const Axis& axis, double from_mm, double to_mm,
                           double half_width_mm)
    : view_(view),
      axis_(axis),
      camera_center_mm_(view.CameraCenterMm()),
      from_mm_(from_mm),
      half_mm_(half_width_mm) {
  const int rows = static_cast<int>((to_mm - from_mm) / kAlongStepMm) + 1;
  const int columns = 2 * static_cast<int>(half_width_mm / kAcrossStepMm) + 1;
  const cv::Mat fine = Looked({columns, rows * kLooksPerRow}, [this](int row, int column) {
    return Eigen::Vector2d(AlongMm((row + 0.5) / kLooksPerRow - 0.5), AcrossMm(column));
  });
  cv::resize(fine, bgr_, {columns, rows}, 0, 0, cv::INTER_AREA);
}

cv::Mat Straightened::Looked(cv::Size size,
                             const std::function<Eigen::Vector2d(int, int)>& place) const {
  return LookedAt(view_, size, [&](int row, int column) {
    const Eigen::Vector2d at = place(row, column);
    return Point(at.x(), at.y());
  });
}

Eigen::Vector3d Straightened::Point(double along_mm, double across_mm) const {
  const Eigen::Vector3d on_axis = axis_.start_mm + along_mm * axis_.toward_mount;
  const Eigen::Vector3d sight = on_axis - camera_center_mm_;
  // Looking from mount to pickup with y down, from above: toward_mount × sight points to the right.
  const Eigen::Vector3d right = axis_.toward_mount.cross(sight).normalized();
  return on_axis + across_mm * right;
}

Eigen::Vector2d Straightened::PhotoPx(double along_mm, double across_mm) const {
  return view_.Project(Point(along_mm, across_mm));
}

double Straightened::AcrossOf(const Eigen::Vector3d& point_mm, double along_mm) const {
  const Eigen::Vector3d on_axis = Point(along_mm, 0.0);
  return (point_mm - on_axis).dot(Point(along_mm, 1.0) - on_axis);
}

double Straightened::PxPerMm(double along_mm) const {
  return (PhotoPx(along_mm, 0.5) - PhotoPx(along_mm, -0.5)).norm();
}

double Straightened::Foreshortening(double along_mm) const {
  const Eigen::Vector3d sight = Point(along_mm, 0.0) - camera_center_mm_;
  return axis_.toward_mount.normalized().cross(sight.normalized()).norm();
}

}  // namespace tinesight
