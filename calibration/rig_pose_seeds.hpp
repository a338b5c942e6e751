#pragma once

#include <Eigen/Geometry>
#include <vector>

#include "calibration/camera.hpp"
#include "calibration/rig_pose_solver.hpp"

namespace tinesight {

/// Poses to start the solve from. A nearly frontal strip has two mirrored poses of almost equal
/// residual, so each bar gives both of its own, and all measurements together give two more by
/// other methods; the solve tries every one. Poses with the rig behind the camera are left out.
[[nodiscard]] std::vector<Eigen::Isometry3d> PoseSeeds(
    const std::vector<PoseMeasurement>& measurements, int bar_count, const Camera& camera);

}  // namespace tinesight
