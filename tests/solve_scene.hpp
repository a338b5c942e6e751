#pragma once

#include <Eigen/Geometry>

#include "calibration/camera.hpp"

namespace tinesight::testing {

/// A phone's camera of 12 megapixels.
inline Camera PhoneCamera() {
  Camera camera;
  camera.width_px = 4032;
  camera.height_px = 3024;
  camera.fx_px = 3100.0;
  camera.fy_px = 3100.0;
  camera.cx_px = 2015.5;
  camera.cy_px = 1511.5;
  camera.distortion = {-0.06, 0.03, 0.0003, -0.0004, 0.0};
  return camera;
}

/// camera_from_world of a camera that looks from `eye` at a point between tines and pickups.
inline Eigen::Isometry3d LookingFrom(const Eigen::Vector3d& eye) {
  const Eigen::Vector3d forward = (Eigen::Vector3d(0.0, 0.0, -40.0) - eye).normalized();
  const Eigen::Vector3d right = Eigen::Vector3d::UnitY().cross(forward).normalized();
  Eigen::Isometry3d camera_from_world = Eigen::Isometry3d::Identity();
  camera_from_world.linear() << right.transpose(), forward.cross(right).transpose(),
      forward.transpose();
  camera_from_world.translation() = -camera_from_world.linear() * eye;
  return camera_from_world;
}

}  // namespace tinesight::testing
