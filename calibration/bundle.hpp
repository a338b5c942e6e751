#pragma once

#include <Eigen/Core>
#include <Eigen/Geometry>
#include <array>
#include <cstddef>
#include <string>
#include <vector>

#include "calibration/camera.hpp"
#include "calibration/error.hpp"

namespace tinesight {

/// One bundle adjustment for everything that is calibrated from photos of a known-by-and-large
/// target: a chessboard (every point known), or the phone rig (two strips whose print is known
/// well and whose place on the frame is not).
///
/// Frames, outermost last:
///   part     a rigid printed piece; x and y lie in the print, z is its normal
///   target   what all parts are placed in (the rig frame, the board's frame)
///   station  where one exposure was made; one target_from… per station
///   camera   OpenCV's (+x right, +y down, +z forward); several cameras may share a station
///
///   p_target = target_from_part * (scale ∘ p_part + delta + growth * direction)
///   p_camera = camera_from_station * station_from_target * p_target
///   position = ProjectPinhole(p_camera; fx s, fy s, cx + dx, cy + dy, k1, k2, p1, p2, k3)
///
/// with s, dx, dy one photo's focal scale (autofocus) and principal-point shift (stabilisation).
/// Gaussian priors hold scale (about 1), delta, growth, s, dx, dy (about 0, 0, 1, 0, 0); a sigma
/// of 0 holds the quantity at that value exactly.
struct BundlePoint {
  int part = 0;
  Eigen::Vector3d local_mm = Eigen::Vector3d::Zero();
  /// Standard uncertainty of the point in its part, by axis of the part. Zero: known exactly.
  Eigen::Vector3d u_mm = Eigen::Vector3d::Zero();
};

struct BundlePart {
  Eigen::Isometry3d target_from_part = Eigen::Isometry3d::Identity();
  bool free_pose = false;    ///< false for at least one part: that one carries the frame
  double scale_sigma = 0.0;  ///< of the print's scale along x and along y, relative
};

struct BundleCamera {
  Camera camera;  ///< the start values; width and height are kept
  Eigen::Isometry3d camera_from_station = Eigen::Isometry3d::Identity();
  bool free_mount = false;  ///< estimate camera_from_station (false for the first camera)
  bool fixed_intrinsics = false;
};

struct BundleObservation {
  int point = 0;
  Eigen::Vector2d position_px = Eigen::Vector2d::Zero();
  double sigma_px = 0.1;
  /// Observations of one group share one noise factor, found from the residuals.
  int group = 0;
  /// How the point moves, in its part's frame, per mm of outward growth of the printed edges:
  /// (±1, ±1, 0) for a corner of a black square, zero for what ink cannot move.
  Eigen::Vector3d growth_direction = Eigen::Vector3d::Zero();
};

struct BundlePhoto {
  std::string name;
  int camera = 0;
  int station = 0;
  std::vector<BundleObservation> observations;
};

/// What is to be adjusted, with start values.
struct BundleProblem {
  std::vector<BundleCamera> cameras;
  std::vector<BundlePart> parts;
  std::vector<BundlePoint> points;
  std::vector<BundlePhoto> photos;
  std::vector<Eigen::Isometry3d> station_from_target;  ///< start values, one per station
};

struct BundleOptions {
  bool one_focal_length = false;          ///< fy = fx
  double focal_scale_sigma = 0.0;         ///< per-photo focal scale about 1; their mean is 1
  double principal_shift_sigma_px = 0.0;  ///< per-photo principal-point shift about 0
  /// Take principal_shift_sigma_px as the most and find from the photos how much their principal
  /// points really differ (not below 0.5 px): freedom that no lens used costs the focal length
  /// and the survey a factor of two to three. Needs focal_scale_sigma > 0.
  bool estimate_principal_shift = false;
  double growth_sigma_mm = 0.15;  ///< growth per photo and part, where a point has one
  /// Weak priors of k1, k2, p1, p2, k3 about 0; 0 means none.
  std::array<double, 5> distortion_sigma{};
  /// Observations further off than this many of their group's standard deviations are left out,
  /// after a start with a loss that outliers cannot pull; 0 keeps everything and is plain.
  double outlier_sigmas = 0.0;
  int threads = 1;                ///< 1 or more
  bool point_covariance = false;  ///< fill BundleResult::point_covariance
  [[nodiscard]] Result<void> Validate() const;
};

struct BundlePhotoResult {
  Eigen::Isometry3d camera_from_target = Eigen::Isometry3d::Identity();
  double focal_scale = 1.0;
  double focal_scale_u = 0.0;
  Eigen::Vector2d principal_shift_px = Eigen::Vector2d::Zero();
  std::vector<double> growth_mm;  ///< by part
  double rms_px = 0.0;            ///< of the distance in the image, used observations
  int used = 0;
  std::vector<bool> rejected;  ///< by observation
  int rejected_count = 0;
  std::vector<Eigen::Vector2d> residual_px;  ///< predicted − observed, by observation
};

struct BundleResult {
  std::vector<Camera> cameras;  ///< with standard_uncertainty
  std::vector<Eigen::Isometry3d> camera_from_station;
  std::vector<Eigen::Isometry3d> station_from_target;
  std::vector<Eigen::Isometry3d> target_from_part;
  std::vector<Eigen::Vector2d> part_scale;
  std::vector<Eigen::Vector3d> points_mm;  ///< in the target frame, growth removed
  /// Of all points_mm (3 rows a point) in the frame that the fixed part carries.
  Eigen::MatrixXd point_covariance;
  std::vector<BundlePhotoResult> photos;
  double principal_shift_sigma_px = 0.0;  ///< as used, or as found
  double rms_px = 0.0;  ///< √(Σ distance² / number of points), as OpenCV states it
  /// Estimated noise over stated sigma_px, by group. The covariances are scaled by it.
  std::vector<double> noise_factor;
};

/// Adjusts the problem. The covariance is the inverse of JᵀJ of the whitened residuals at the
/// solution; the observations' noise is estimated from the residuals by group (Förstner's
/// variance components: vᵀv over the group's own redundancy), the priors are taken at their word.
/// Fails with the reason where the problem is singular or the solver does not converge.
[[nodiscard]] Result<BundleResult> SolveBundle(const BundleProblem& problem,
                                               const BundleOptions& given);

/// Start values for one-station-per-photo problems: every photo's pose by PnP, and the focal
/// length, where `focal_px` is 0, by trying equivalents from 18 to 80 mm and keeping the one that
/// projects best. Sets the camera's principal point to the middle of the picture. Gives the rms
/// reprojection error of the start, px, each point's capped at 2.5 % of the image's diagonal.
[[nodiscard]] Result<double> StartBundle(BundleProblem& problem, double focal_px);

/// Views that do not belong: rms above `factor` times the median of all. Low noise in the other
/// views hides such a one from the overall RMS: one view with a spoiled corner search was found
/// to double it.
[[nodiscard]] std::vector<std::size_t> FlagViews(const std::vector<double>& rms_px,
                                                 double factor = 3.0);

}  // namespace tinesight
