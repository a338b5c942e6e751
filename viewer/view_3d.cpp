#include "viewer/view_3d.hpp"

#include <algorithm>
#include <cmath>

namespace tinesight {

using Eigen::Isometry3d;
using Eigen::Matrix3d;
using Eigen::Matrix4d;
using Eigen::Vector2d;
using Eigen::Vector3d;

namespace {

// Turns the camera about a point of the harp: the point keeps its place in the camera frame.
void RotateAbout(View3d& view, const Vector3d& pivot, const Matrix3d& rotation_harp) {
  Isometry3d turn = Isometry3d::Identity();
  turn.linear() = rotation_harp;
  turn.translation() = pivot - rotation_harp * pivot;
  view.camera_from_harp = view.camera_from_harp * turn;
}

}  // namespace

std::optional<Vector2d> View3d::Project(const Vector3d& point_harp_mm,
                                        const Vector2d& area_px) const {
  const Vector3d p = camera_from_harp * point_harp_mm;
  if (!(p.z() > 1e-3)) return std::nullopt;
  const double height = area_px.y();
  return Vector2d(0.5 * area_px + height * shift +
                  height * focal.cwiseProduct(p.head<2>() / p.z()));
}

Vector3d View3d::Ray(const Vector2d& position_px, const Vector2d& area_px) const {
  const Vector2d in_heights = (position_px - 0.5 * area_px) / area_px.y() - shift;
  const Vector2d direction = in_heights.cwiseQuotient(focal);
  return camera_from_harp.linear().transpose() * Vector3d(direction.x(), direction.y(), 1.0);
}

Matrix4d View3d::ClipFromHarp(const Vector2d& area_px, double near_mm, double far_mm) const {
  const double aspect = area_px.x() / area_px.y();
  Matrix4d clip = Matrix4d::Zero();
  // OpenCV's y points down and z forward; clip space has y up and w = z.
  clip(0, 0) = 2.0 * focal.x() / aspect;
  clip(0, 2) = 2.0 * shift.x() / aspect;
  clip(1, 1) = -2.0 * focal.y();
  clip(1, 2) = -2.0 * shift.y();
  clip(2, 2) = (far_mm + near_mm) / (far_mm - near_mm);
  clip(2, 3) = -2.0 * far_mm * near_mm / (far_mm - near_mm);
  clip(3, 2) = 1.0;
  return clip * camera_from_harp.matrix();
}

void Orbit(View3d& view, const Vector3d& pivot_harp_mm, double yaw_rad, double pitch_rad) {
  view.cut_harp_mm.reset();
  const Matrix3d& camera_from_harp = view.camera_from_harp.linear();
  const Vector3d right_harp = camera_from_harp.transpose() * Vector3d::UnitX();
  const Vector3d up_screen = camera_from_harp.transpose() * -Vector3d::UnitY();
  // Whichever side is up, dragging to the right turns what is near to the right.
  const double upright = up_screen.y() >= 0.0 ? 1.0 : -1.0;
  const Matrix3d yaw = Eigen::AngleAxisd(upright * yaw_rad, Vector3d::UnitY()).toRotationMatrix();
  const Matrix3d pitch = Eigen::AngleAxisd(pitch_rad, right_harp).toRotationMatrix();
  RotateAbout(view, pivot_harp_mm, pitch * yaw);
}

void Pan(View3d& view, const Vector3d& grabbed_harp_mm, const Vector2d& to_px,
         const Vector2d& area_px) {
  const Vector3d grabbed = view.camera_from_harp * grabbed_harp_mm;
  if (!(grabbed.z() > 1e-3)) return;
  const Vector3d wanted = view.camera_from_harp.linear() * view.Ray(to_px, area_px) * grabbed.z();
  view.camera_from_harp.pretranslate(Vector3d(wanted - grabbed));
}

void Zoom(View3d& view, const Vector3d& target_harp_mm, double factor, double nearest_mm) {
  const Vector3d target = view.camera_from_harp * target_harp_mm;
  const double distance = target.norm();
  const double wanted = std::max(distance / factor, std::min(nearest_mm, distance));
  view.camera_from_harp.pretranslate(Vector3d(target * (wanted / std::max(distance, 1e-9) - 1.0)));
}

void FrameSphere(View3d& view, const Vector3d& center_harp_mm, double radius_mm,
                 const Vector2d& area_px) {
  view.shift.setZero();
  view.cut_harp_mm.reset();
  const double aspect = area_px.x() / area_px.y();
  // A sphere at distance d fills the half angle asin(r / d); the narrower side decides.
  const double half = std::atan(0.5 * std::min(1.0 / view.focal.y(), aspect / view.focal.x()));
  const double distance = 1.05 * radius_mm / std::sin(half);
  view.camera_from_harp.translation() =
      Vector3d(0.0, 0.0, distance) - view.camera_from_harp.linear() * center_harp_mm;
}

View3d LookAt(const Vector3d& eye_harp_mm, const Vector3d& target_harp_mm, bool harp_raised) {
  const Vector3d forward = (target_harp_mm - eye_harp_mm).normalized();
  Vector3d down = harp_raised ? Vector3d::UnitY() : Vector3d(-Vector3d::UnitY());
  if (std::abs(forward.dot(down)) > 0.999) down = -Vector3d::UnitZ();
  const Vector3d right = down.cross(forward).normalized();
  View3d view;
  view.camera_from_harp.linear().row(0) = right;
  view.camera_from_harp.linear().row(1) = forward.cross(right);
  view.camera_from_harp.linear().row(2) = forward;
  view.camera_from_harp.translation() = -(view.camera_from_harp.linear() * eye_harp_mm);
  return view;
}

View3d ViewOfPhoto(const Camera& camera, const Isometry3d& camera_from_harp, double scale,
                   const Vector2d& origin_px, const Vector2d& area_px) {
  View3d view;
  view.camera_from_harp = camera_from_harp;
  view.focal = Vector2d(camera.fx_px, camera.fy_px) * scale / area_px.y();
  // The photo's (0, 0) is the center of its first pixel, half a pixel from the corner.
  const Vector2d center_px = origin_px + scale * Vector2d(camera.cx_px + 0.5, camera.cy_px + 0.5);
  view.shift = (center_px - 0.5 * area_px) / area_px.y();
  return view;
}

View3d Between(const View3d& from, const View3d& to, double t) {
  if (t <= 0.0) return from;
  if (t >= 1.0) return to;
  View3d view;
  const Eigen::Quaterniond a(from.camera_from_harp.linear());
  const Eigen::Quaterniond b(to.camera_from_harp.linear());
  const Vector3d eye = from.EyeMm() + t * (to.EyeMm() - from.EyeMm());
  view.camera_from_harp.linear() = a.slerp(t, b).toRotationMatrix();
  view.camera_from_harp.translation() = -(view.camera_from_harp.linear() * eye);
  view.focal = from.focal + t * (to.focal - from.focal);
  view.shift = from.shift + t * (to.shift - from.shift);
  return view;
}

}  // namespace tinesight
