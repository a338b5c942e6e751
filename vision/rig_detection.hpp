#pragma once

#include <opencv2/core/mat.hpp>
#include <vector>

#include "calibration/camera.hpp"
#include "calibration/rig.hpp"
#include "calibration/rig_observation.hpp"
#include "calibration/rig_pose.hpp"

namespace tinesight {

/// Finds the rig's tags (and register cards) over several scales and refines their corners by
/// fitting the four sides as lines, which stays unbiased under blur. Ids that the rig does not
/// have and that are no register card are dropped. An empty result is not an error.
/// `gray`: CV_8UC1, upright, full resolution.
[[nodiscard]] RigObservations DetectTags(const cv::Mat& gray, const Rig& rig);

/// Adds the rig's saddle points, searched where `pose` says they are and refined with a window
/// smaller than half the way to the next edge.
void RefineRigPoints(const cv::Mat& gray, const Rig& rig, const Camera& camera,
                     const RigPose& pose, RigObservations& observations);

}  // namespace tinesight
