#pragma once

#include <Eigen/Geometry>
#include <opencv2/core/mat.hpp>

#include "calibration/camera.hpp"

namespace tinesight {

/// A photo together with where its camera stood: what the detectors of pickups, tines and tone bars
/// look at. All points that they take and give are in one frame, mm: "world" in the names here,
/// "the carrier frame" in the other headers of this folder. Whoever fills the view chooses it by
/// camera_from_world: the rig frame, as the tags gave the pose, where the row of pickups is first
/// looked for; then the harp as this photo shows it to stand (PlaceHarp); in the second look the
/// harp frame of the solve. Always +x toward treble, +y up as played (down in the picture), +z
/// from mount to pickup.
///
/// Image positions are px of the photo as taken (distorted), center of the top-left pixel at
/// (0, 0).
struct PhotoView {
  cv::Mat bgr;   ///< CV_8UC3
  cv::Mat gray;  ///< CV_8UC1
  Camera camera;
  Eigen::Isometry3d camera_from_world = Eigen::Isometry3d::Identity();

  [[nodiscard]] Eigen::Vector3d CameraCenterMm() const {
    return camera_from_world.inverse().translation();
  }
  [[nodiscard]] bool InFront(const Eigen::Vector3d& point_mm) const {
    return (camera_from_world * point_mm).z() > 1.0;
  }
  [[nodiscard]] Eigen::Vector2d Project(const Eigen::Vector3d& point_mm) const {
    return camera.Project(camera_from_world * point_mm);
  }
  /// Where the ray through a point meets the plane z = const.
  [[nodiscard]] Eigen::Vector3d OnPlane(const Eigen::Vector3d& point_mm, double z_mm) const {
    const Eigen::Vector3d center = CameraCenterMm();
    const double scale = (z_mm - center.z()) / (point_mm.z() - center.z());
    return center + scale * (point_mm - center);
  }
  [[nodiscard]] bool Shows(const Eigen::Vector3d& point_mm, double margin_px = 2.0) const {
    if (!InFront(point_mm)) return false;
    const Eigen::Vector2d p = Project(point_mm);
    return p.x() >= margin_px && p.y() >= margin_px && p.x() < camera.width_px - 1 - margin_px &&
           p.y() < camera.height_px - 1 - margin_px;
  }
};

}  // namespace tinesight
