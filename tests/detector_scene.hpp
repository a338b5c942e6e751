#pragma once

#include <Eigen/Geometry>
#include <algorithm>
#include <functional>
#include <opencv2/imgproc.hpp>
#include <random>

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

/// Renders by asking `bgr_of_ray` (0 to 255) for each of 3 x 3 rays a pixel, then blur and noise,
/// which is of brightness alone.
inline void RenderColors(PhotoView& view, double blur_px, double noise,
                         const std::function<cv::Vec3d(const Eigen::Vector3d&)>& bgr_of_ray) {
  const Eigen::Matrix3d world_from_camera = view.camera_from_world.linear().transpose();
  cv::Mat picture(view.camera.height_px, view.camera.width_px, CV_32FC3);
  for (int r = 0; r < picture.rows; ++r) {
    for (int c = 0; c < picture.cols; ++c) {
      cv::Vec3d sum(0.0, 0.0, 0.0);
      for (int i = 0; i < 9; ++i) {
        const int row = i / 3;
        const Eigen::Vector2d ray =
            view.camera.Undistort({c + (i % 3 - 1) / 3.0, r + (row - 1) / 3.0});
        sum += bgr_of_ray(world_from_camera * Eigen::Vector3d(ray.x(), ray.y(), 1.0));
      }
      picture.at<cv::Vec3f>(r, c) = sum / 9.0;
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
