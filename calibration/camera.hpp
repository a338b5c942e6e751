#pragma once

#include <Eigen/Core>
#include <array>
#include <filesystem>
#include <optional>
#include <string>

#include "calibration/error.hpp"

namespace tinesight {

/// What EXIF must say for a photo to belong to a calibration. Empty or absent: not compared.
struct CameraExif {
  std::string make;
  std::string model;
  std::string lens;
  std::optional<double> focal_length_mm;
};

/// OpenCV's pinhole camera with five distortion coefficients (k1, k2, p1, p2, k3).
///
/// Image positions are px with the center of the top-left pixel at (0, 0). The camera frame has
/// +x right, +y down, +z into the scene. With x = X/Z, y = Y/Z and r² = x² + y²:
///   x' = x (1 + k1 r² + k2 r⁴ + k3 r⁶) + 2 p1 x y + p2 (r² + 2 x²)
///   y' = y (1 + k1 r² + k2 r⁴ + k3 r⁶) + p1 (r² + 2 y²) + 2 p2 x y
///   u = fx x' + cx,  v = fy y' + cy        (OpenCV, "Camera Calibration and 3D Reconstruction")
struct Camera {
  int width_px = 0;
  int height_px = 0;
  double fx_px = 0.0;
  double fy_px = 0.0;
  double cx_px = 0.0;
  double cy_px = 0.0;
  std::array<double, 5> distortion{};  ///< k1, k2, p1, p2, k3
  std::optional<CameraExif> exif;
  /// EXIF orientation (1, 3, 6 or 8) of the photos that it was calibrated from, as they were turned
  /// upright: which way up the sensor was.
  int exif_orientation = 1;
  /// Standard uncertainties of fx, fy, cx, cy, k1, k2, p1, p2, k3 where `calibrate` stated them.
  std::optional<std::array<double, 9>> standard_uncertainty;

  /// This camera with its focal length scaled (autofocus) and its principal point moved
  /// (optical stabilisation) for one photo.
  [[nodiscard]] Camera Adjusted(double focal_scale, double dx_px, double dy_px) const;

  /// The camera of a picture that was turned by 180°: what belongs to the sensor (principal point,
  /// p1, p2) turns with it. With a pixel's center at (u, v) before and (width − 1 − u,
  /// height − 1 − v) after, and the camera frame turned about its z axis alike.
  [[nodiscard]] Camera Turned180() const;

  /// The camera of a photo that came upright from EXIF orientation `orientation`: this one, or
  /// turned by 180° where the phone was held the other way up than for the calibration. A quarter
  /// turn can't be had: it changes the picture's size, which CheckPhotoMatchesCamera refuses.
  [[nodiscard]] Camera ForOrientation(int orientation) const;

  /// Image position of a point of the camera frame. Precondition: z > 0.
  [[nodiscard]] Eigen::Vector2d Project(const Eigen::Vector3d& point_camera_mm) const;

  /// Direction (x, y, 1) in the camera frame that projects to `position_px`, to 1e-12 of the focal
  /// length. Not-a-number where no direction does: beyond the fold of a strong distortion, which
  /// ReadCamera refuses within the picture's inner three quarters.
  [[nodiscard]] Eigen::Vector2d Undistort(const Eigen::Vector2d& position_px) const;
};

/// The projection of Camera for any scalar type, so that Ceres can differentiate it.
/// `distortion` is k1, k2, p1, p2, k3.
template <typename T>
Eigen::Matrix<T, 2, 1> ProjectPinhole(const Eigen::Matrix<T, 3, 1>& point_camera, const T& fx,
                                      const T& fy, const T& cx, const T& cy, const T* distortion) {
  const T x = point_camera.x() / point_camera.z();
  const T y = point_camera.y() / point_camera.z();
  const T r2 = x * x + y * y;
  const T radial = T(1.0) + r2 * (distortion[0] + r2 * (distortion[1] + r2 * distortion[4]));
  const T xd = x * radial + T(2.0) * distortion[2] * x * y + distortion[3] * (r2 + T(2.0) * x * x);
  const T yd = y * radial + distortion[2] * (r2 + T(2.0) * y * y) + T(2.0) * distortion[3] * x * y;
  return {fx * xd + cx, fy * yd + cy};
}

/// Reads a camera file (README.md, "Files": width, height, fx, fy, cx, cy, distortion; exif
/// optional). The coefficients may also stand as the keys k1, k2, p1, p2, k3. Rejects absurd values
/// by name.
/// Added keys: `standard_uncertainty`, an object with the keys fx, fy, cx, cy, k1, k2, p1, p2, k3;
/// `exif_orientation`, 1 where it is missing.
[[nodiscard]] Result<Camera> ReadCamera(const std::filesystem::path& file);

/// Writes a camera file; whole or not at all.
[[nodiscard]] Result<void> WriteCamera(const Camera& camera, const std::filesystem::path& file);

}  // namespace tinesight
