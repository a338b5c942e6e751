#pragma once

#include <Eigen/Core>
#include <Eigen/Geometry>
#include <optional>
#include <vector>

#include "calibration/camera.hpp"
#include "calibration/rig_pose.hpp"

namespace tinesight {

/// One measured position of the rig in a photo: a tag's corner or a saddle point.
struct PoseMeasurement {
  Eigen::Vector3d position_mm = Eigen::Vector3d::Zero();  ///< in the rig frame
  Eigen::Vector3d outward = Eigen::Vector3d::Zero();      ///< how edge growth moves it, mm per mm
  Eigen::Vector2d observed_px = Eigen::Vector2d::Zero();
  double picture_sigma_px = 0.3;  ///< standard uncertainty of a coordinate in the photo
  double rig_u_mm = 0.0;          ///< standard uncertainty of a coordinate on the rig
  double sigma_px = 0.3;          ///< both together at the pose, times the group's noise scale
  int bar = 0;
  int tag = -1;    ///< index among the observed tags, or −1
  int point = -1;  ///< index among the observed points, or −1

  [[nodiscard]] bool IsCorner() const { return tag >= 0; }
};

/// What is solved for.
struct PoseState {
  Eigen::Isometry3d camera_from_rig = Eigen::Isometry3d::Identity();
  double focal_scale = 1.0;
  Eigen::Vector2d shift_px = Eigen::Vector2d::Zero();
  std::vector<double> growth_mm;  ///< one a bar
};

/// What the solve does about measurements that do not fit.
enum class PoseLoss {
  kCauchy,  ///< while there may be wrong ones: they lose their pull; not run to the last digit
  kHuber,   ///< after they were dropped: near to least squares
};

/// (predicted − observed) in px; nothing if the point is not in front of the camera.
[[nodiscard]] std::optional<Eigen::Vector2d> PoseResidualPx(const PoseMeasurement& measurement,
                                                            const PoseState& state,
                                                            const Camera& camera);

/// Sets each sigma_px from the picture's and the rig's uncertainty at this pose, times
/// `noise_scale` (parallel to the measurements, or empty for 1).
void UpdateSigmas(const PoseState& state, const Camera& camera,
                  const std::vector<double>& noise_scale,
                  std::vector<PoseMeasurement>& measurements);

/// Minimizes the whitened residuals with the priors of `options` and `growth_sigma_mm` from
/// `state`, which is replaced. Returns the cost, or nothing if the solve failed.
[[nodiscard]] std::optional<double> MinimizePose(const std::vector<PoseMeasurement>& measurements,
                                                 const Camera& camera,
                                                 const RigPoseOptions& options, PoseLoss loss,
                                                 PoseState& state);

/// Covariance at a minimum, rows as RigPose::covariance followed by the growths. Nothing if the
/// measurements do not determine the pose.
[[nodiscard]] std::optional<Eigen::MatrixXd> PoseCovariance(
    const std::vector<PoseMeasurement>& measurements, const Camera& camera,
    const RigPoseOptions& options, const PoseState& state);

/// Prior of the edge growth of a bar about 0.
inline constexpr double kGrowthSigmaMm = 0.15;

}  // namespace tinesight
