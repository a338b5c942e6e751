#pragma once

#include <Eigen/Core>
#include <Eigen/Geometry>

#include "calibration/camera.hpp"
#include "vision/note_observation.hpp"

namespace ceres {
class CostFunction;
}

namespace tinesight {

/// What SolveHarp's problem is made of: its parameters, and a cost for everything that is seen or
/// expected. Residuals are whitened. The caller owns what is returned, as in Ceres; a HarpView
/// must outlive its costs.

/// In this order wherever there is a parameter of each.
enum class RingKind { kFlange, kPole };
constexpr int kRingKinds = 2;

/// Parameters of a photo: rotation vector on the left of camera_from_rig, translation, focal
/// scale, principal point shift, each the change from the rig solve's answer; then how much
/// deeper than in other photos flanges and poles look in this one. Light and the side of a rim that
/// shows move what is seen in the picture as a change of depth would. Then by how much they move
/// all flanges and all poles alike in the picture: x, y px of each. Last, how much nearer to their
/// mounts all tines seem to end than they do, and how much nearer all blocks' edges seem, mm.
constexpr int kPoseSize = 9;
constexpr int kFirstShift = kPoseSize + kRingKinds;
constexpr int kTipShift = kFirstShift + 2 * kRingKinds;
constexpr int kBlockShift = kTipShift + 1;
constexpr int kPhotoSize = kBlockShift + 1;
/// Parameters of a placement: rotation vector on the left of rig_from_harp and translation, as
/// changes; depths of flange and pole as they are seen behind the pole tip's face; how far the
/// blocks' upper edges stand over their tines' axes.
constexpr int kFirstDepth = 6;
constexpr int kBlockTop = kFirstDepth + kRingKinds;
constexpr int kPlacementSize = kBlockTop + 1;

/// Everything a residual needs to bring a harp point into a photo.
struct HarpView {
  Eigen::Isometry3d camera_from_rig;
  Eigen::Isometry3d rig_from_harp;
  Camera camera;
  double focal_scale;
  Eigen::Vector2d shift_px;
};

/// Where a flange or pole was seen. Blocks: photo, placement, note.
[[nodiscard]] ceres::CostFunction* RingCenterCost(const HarpView& view,
                                                  const CenterObservation& observed, RingKind kind);

/// A point on the tine's axis. Blocks: photo, placement, note.
[[nodiscard]] ceres::CostFunction* TineAxisCost(const HarpView& view, const AxisPoint& observed);

/// Where the tine ends. Blocks: photo, placement, note.
[[nodiscard]] ceres::CostFunction* TineTipCost(const HarpView& view,
                                               const EndObservation& observed);

/// The block's upper edge, along the harp's x over the root of a tine of `length_mm`. Blocks:
/// photo, placement, note, how much longer the tine is.
[[nodiscard]] ceres::CostFunction* BlockEdgeCost(const HarpView& view,
                                                 const EdgeObservation& observed, double length_mm);

/// A point on a tone bar's middle line. Blocks: photo, placement, tone bar (x, y at z =
/// `middle_z_mm`, yaw, pitch).
[[nodiscard]] ceres::CostFunction* ToneBarCost(const HarpView& view, const AxisPoint& observed,
                                               double middle_z_mm);

/// The rig solve's covariance of a photo's first kPoseSize parameters.
[[nodiscard]] ceres::CostFunction* PhotoPriorCost(const Eigen::Matrix<double, 9, 9>& covariance);

}  // namespace tinesight
