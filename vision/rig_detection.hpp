#pragma once

#include <opencv2/core/mat.hpp>
#include <vector>

#include "calibration/camera.hpp"
#include "calibration/rig.hpp"
#include "calibration/rig_observation.hpp"
#include "calibration/rig_pose.hpp"

namespace tinesight {

/// Finds the rig's tags (and register cards) over several scales and refines their corners by
/// fitting the whole printed pattern with its blur, edge growth and tone curve
/// (vision/tag_fit.hpp), which stays unbiased under blur, ink spread and gamma. Ids that the rig
/// does not have and that are no register card are dropped, and so is a tag that stands where the
/// others do not allow it. An empty result is not an error. `gray`: CV_8UC1, upright, full
/// resolution.
[[nodiscard]] RigObservations DetectTags(const cv::Mat& gray, const Rig& rig);

/// Adds the rig's saddle points, searched where `pose` says they are and refined with a window
/// smaller than half the way to the next edge.
void RefineRigPoints(const cv::Mat& gray, const Rig& rig, const Camera& camera, const RigPose& pose,
                     RigObservations& observations);

/// Whether the picture shows the rig mirrored: its tags are found when the picture is flipped, and
/// hardly any as it is. For the error message where DetectTags found too little.
[[nodiscard]] bool LooksMirrored(const cv::Mat& gray, const Rig& rig);

}  // namespace tinesight
