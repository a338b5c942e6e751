#pragma once

#include <Eigen/Core>
#include <Eigen/Geometry>
#include <optional>

#include "calibration/camera.hpp"

namespace tinesight {

/// A view of the harp on a screen area, as a pinhole camera. Screen positions are px from the
/// area's top-left corner, y down, and a pixel's center lies at half a pixel (the screen's
/// convention; photos have theirs at whole numbers). The camera frame is OpenCV's: +x right, +y
/// down, +z into the scene. Focal length and the principal point's shift from the area's middle are
/// counted in heights of the area, so that a view survives a resize.
struct View3d {
  Eigen::Isometry3d camera_from_harp = Eigen::Isometry3d::Identity();
  Eigen::Vector2d focal = Eigen::Vector2d(1.6, 1.6);
  Eigen::Vector2d shift = Eigen::Vector2d::Zero();
  /// Everything nearer than this point is left out of the picture: looking down a tine, its block
  /// would hide it. Absent: nothing is.
  std::optional<Eigen::Vector3d> cut_harp_mm;

  [[nodiscard]] Eigen::Vector3d EyeMm() const { return camera_from_harp.inverse().translation(); }
  /// Nothing where the point is behind the camera.
  [[nodiscard]] std::optional<Eigen::Vector2d> Project(const Eigen::Vector3d& point_harp_mm,
                                                       const Eigen::Vector2d& area_px) const;
  /// Direction, in the harp frame, of what is seen at a screen position; its camera z is 1.
  [[nodiscard]] Eigen::Vector3d Ray(const Eigen::Vector2d& position_px,
                                    const Eigen::Vector2d& area_px) const;
  /// OpenGL's clip matrix (z from −1 to 1) times the view, from harp mm.
  [[nodiscard]] Eigen::Matrix4d ClipFromHarp(const Eigen::Vector2d& area_px, double near_mm,
                                             double far_mm) const;
};

/// Ends a cut, whose place would no longer make sense, and
/// turns about the harp's vertical (yaw) and the screen's horizontal (pitch), both through
/// `pivot_harp_mm`, which stays where it is on the screen. Pitch has no end: looking straight down
/// and beyond works, and what is grabbed follows the cursor also upside down.
void Orbit(View3d& view, const Eigen::Vector3d& pivot_harp_mm, double yaw_rad, double pitch_rad);

/// Moves sideways so that `grabbed_harp_mm` comes to `to_px` on the screen.
void Pan(View3d& view, const Eigen::Vector3d& grabbed_harp_mm, const Eigen::Vector2d& to_px,
         const Eigen::Vector2d& area_px);

/// Comes `factor` (> 1: nearer) closer to the point, which stays where it is on the screen. The eye
/// never comes nearer to it than `nearest_mm`.
void Zoom(View3d& view, const Eigen::Vector3d& target_harp_mm, double factor,
          double nearest_mm = 8.0);

/// The same direction of view, moved so that the sphere fills the area.
void FrameSphere(View3d& view, const Eigen::Vector3d& center_harp_mm, double radius_mm,
                 const Eigen::Vector2d& area_px);

/// A view from `eye_harp_mm` to `target_harp_mm` with the harp's +y up on the screen, or down as in
/// a photo of a raised harp. Looking along y itself, +z is up.
[[nodiscard]] View3d LookAt(const Eigen::Vector3d& eye_harp_mm,
                            const Eigen::Vector3d& target_harp_mm, bool harp_raised);

/// The view that puts a photo's pixels where `scale` (screen px per photo px) and `origin_px` (the
/// screen position of the photo's top-left corner, half a pixel before the center of its first
/// pixel) put them: the photo is undistorted, with the camera's own focal lengths and center.
[[nodiscard]] View3d ViewOfPhoto(const Camera& camera, const Eigen::Isometry3d& camera_from_harp,
                                 double scale, const Eigen::Vector2d& origin_px,
                                 const Eigen::Vector2d& area_px);

/// On the way from one view to another, t from 0 to 1: exactly `from` at 0 and `to` at 1.
[[nodiscard]] View3d Between(const View3d& from, const View3d& to, double t);

}  // namespace tinesight
