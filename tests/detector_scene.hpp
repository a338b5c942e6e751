#pragma once

#include <Eigen/Geometry>
#include <algorithm>
#include <functional>
#include <opencv2/imgproc.hpp>
#include <random>

#include "tests/picture_borders.hpp"
#include "vision/photo_view.hpp"

namespace tinesight::testing {

/// A small camera behind and above the mounts, as a photo of a register has it: 9 px/mm at the
/// pickups, 16° above the tines.
inline PhotoView DetectorView(double left_mm, double above_mm = 115.0) {
  PhotoView view;
  view.camera.width_px = 900;
  view.camera.height_px = 700;
  view.camera.fx_px = view.camera.fy_px = 3700.0;
  view.camera.cx_px = 449.5;
  view.camera.cy_px = 349.5;
  const Eigen::Vector3d eye(-left_mm, -above_mm, -400.0);
  const Eigen::Vector3d z = (Eigen::Vector3d(0.0, 3.0, -18.0) - eye).normalized();
  const Eigen::Vector3d x = Eigen::Vector3d::UnitY().cross(z).normalized();
  Eigen::Matrix3d rotation;
  rotation << x.transpose(), z.cross(x).transpose(), z.transpose();
  view.camera_from_world.linear() = rotation;
  view.camera_from_world.translation() = -rotation * eye;
  return view;
}

/// Renders by asking `bgr_of_ray` (0 to 255) for each of 3 x 3 rays a pixel, or for its middle one
/// alone away from all borders; then blur and noise, which is of brightness alone.
inline void RenderColors(PhotoView& view, double blur_px, double noise,
                         const std::function<cv::Vec3d(const Eigen::Vector3d&)>& bgr_of_ray) {
  constexpr double kSameGray = 0.5;
  const Eigen::Matrix3d world_from_camera = view.camera_from_world.linear().transpose();
  const auto bgr_at = [&](double x, double y) {
    const Eigen::Vector2d ray = view.camera.Undistort({x, y});
    return bgr_of_ray(world_from_camera * Eigen::Vector3d(ray.x(), ray.y(), 1.0));
  };
  cv::Mat3f picture(view.camera.height_px, view.camera.width_px);
  for (int r = 0; r < picture.rows; ++r) {
    for (int c = 0; c < picture.cols; ++c) picture(r, c) = bgr_at(c, r);
  }
  const cv::Mat borders = test::BordersOf(picture, kSameGray);
  for (int r = 0; r < picture.rows; ++r) {
    for (int c = 0; c < picture.cols; ++c) {
      if (borders.at<unsigned char>(r, c) == 0) continue;
      cv::Vec3d sum(0.0, 0.0, 0.0);
      for (const double down : {-1.0 / 3.0, 0.0, 1.0 / 3.0}) {
        for (const double right : {-1.0 / 3.0, 0.0, 1.0 / 3.0}) sum += bgr_at(c + right, r + down);
      }
      picture(r, c) = sum / 9.0;
    }
  }
  cv::GaussianBlur(picture, picture, {}, blur_px);
  std::mt19937 random(7);
  std::normal_distribution<float> normal(0.0F, static_cast<float>(std::max(noise, 1e-3)));
  for (cv::Vec3f& v : cv::Mat_<cv::Vec3f>(picture)) v += cv::Vec3f::all(normal(random));
  picture.convertTo(view.bgr, CV_8U);
  cv::cvtColor(view.bgr, view.gray, cv::COLOR_BGR2GRAY);
}

/// The same of a scene without color.
inline void Render(PhotoView& view, double blur_px, double noise,
                   const std::function<double(const Eigen::Vector3d&)>& gray_of_ray) {
  RenderColors(view, blur_px, noise,
               [&](const Eigen::Vector3d& ray) { return cv::Vec3d::all(gray_of_ray(ray)); });
}

}  // namespace tinesight::testing
