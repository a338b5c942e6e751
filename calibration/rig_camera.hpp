#pragma once

#include <vector>

#include "calibration/camera.hpp"
#include "calibration/error.hpp"
#include "calibration/rig.hpp"
#include "calibration/survey.hpp"

namespace tinesight {

/// The camera of photos that were taken for measuring, from the rig that they show: focal length,
/// principal point and distortion in one bundle adjustment in which the rig file is taken at its
/// word. Far less certain than a calibration, as the rig fills two bands of each photo:
/// standard_uncertainty says by how much. Of `options` the picture's size, focal_px, the priors of
/// a photo's focal scale and principal point, and outlier_sigmas are used. Weak priors (k1, k2
/// 0.1; p1, p2 0.002; k3 0.02, about 0: a phone's usual lens) hold what the rig doesn't show.
/// Fails where no photo shows both bars, or where the focal length stays uncertain by over 3 %.
[[nodiscard]] Result<Camera> CameraFromRig(const std::vector<SurveyPhoto>& photos, const Rig& rig,
                                           const SurveyOptions& options);

}  // namespace tinesight
