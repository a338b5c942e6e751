#pragma once

#include <Eigen/Core>
#include <Eigen/Geometry>
#include <string>
#include <vector>

#include "calibration/camera.hpp"
#include "calibration/error.hpp"
#include "calibration/rig.hpp"
#include "calibration/rig_observation.hpp"

namespace tinesight {

struct RigPoseOptions {
  double focal_scale_sigma = 0.015;  ///< prior of a photo's focal scale about 1 (autofocus)
  double principal_point_sigma_px =
      4;                    ///< prior of a photo's principal point shift (stabilisation)
  double max_rms_px = 3.0;  ///< above this the photo is refused
  [[nodiscard]] Result<void> Validate() const;
};

/// Where the camera stood, from the rig's tags and saddle points of one photo.
struct RigPose {
  Eigen::Isometry3d camera_from_rig = Eigen::Isometry3d::Identity();
  double focal_scale = 1.0;
  Eigen::Vector2d principal_point_shift_px = Eigen::Vector2d::Zero();
  /// Outward growth of the printed squares' edges (ink spread, gamma), mm, one per bar (a bar is
  /// a cluster of tags of equal depth), in the order of `bars`.
  std::vector<double> edge_growth_mm;
  /// Covariance of (rotation vector applied on the left of camera_from_rig [rad], translation
  /// [mm], focal_scale, principal point shift [px]): rows and columns 0–2, 3–5, 6, 7–8. It is
  /// scaled by the observed residuals (of each bar apart); the priors are not. A point of the rig
  /// is, in the camera frame, exp(turn) · R · x + t + dt: the turn does not act on t.
  Eigen::Matrix<double, 9, 9> covariance = Eigen::Matrix<double, 9, 9>::Zero();
  double rms_px = 0.0;
  int tags_used = 0;
  int points_used = 0;
  bool both_bars = false;  ///< false: depth and focal length rest on one plane, see warnings
  std::vector<std::string> warnings;

  /// The camera as it was in this photo.
  [[nodiscard]] Camera PhotoCamera(const Camera& calibrated) const {
    return calibrated.Adjusted(focal_scale, principal_point_shift_px.x(),
                               principal_point_shift_px.y());
  }
};

/// Pose, focal scale and principal point of one photo. Fails with the reason when the rig is not
/// seen well enough, when the picture is mirrored, or when only a flat part of the rig is seen.
[[nodiscard]] Result<RigPose> SolveRigPose(const RigObservations& observations, const Rig& rig,
                                           const Camera& camera,
                                           const RigPoseOptions& options = {});

}  // namespace tinesight
