#pragma once

#include "alignment/measure_visit.hpp"
#include "calibration/error.hpp"

namespace tinesight {

/// Finds request.self_calibrated from those photos of the request that do not belong to
/// request.camera, by the rig that they show (calibration/rig_camera.hpp); leaves it absent where
/// all belong. The photos must be of one phone and size: the first that can be read says which.
/// Fails with the reason where they do not tell their camera.
[[nodiscard]] Result<void> SelfCalibrate(MeasureRequest& request);

}  // namespace tinesight
