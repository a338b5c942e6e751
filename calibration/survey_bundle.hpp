#pragma once

// Internal to the survey: the rig as a bundle's target.
#include <Eigen/Geometry>
#include <cstddef>
#include <vector>

#include "calibration/bundle.hpp"
#include "calibration/rig_bars.hpp"
#include "calibration/survey.hpp"

namespace tinesight {

// Groups of observations that share one noise.
inline constexpr int kCornerGroup = 0;
inline constexpr int kPointGroup = 1;

/// The bundle of a rig, and where each mark of the rig is among its points.
struct RigBundle {
  BundleProblem problem;
  RigBars bars;
  std::vector<std::size_t> corner_point;  ///< by tag: index of its first corner
  std::vector<std::size_t> point_point;   ///< by point
  std::vector<Eigen::Isometry3d> nominal_pose;
};

/// Every bar a part, every corner and saddle point a point; the pickup bar carries the frame.
[[nodiscard]] RigBundle MakeRigBundle(const Rig& rig, const SurveyOptions& options);

/// What a photo shows of the rig; counts it in `report` and marks the bars seen.
[[nodiscard]] BundlePhoto MakeBundlePhoto(const SurveyPhoto& photo, const Rig& rig,
                                          const RigBundle& bundle, SurveyPhotoReport& report,
                                          std::vector<bool>& sees_bar);

}  // namespace tinesight
