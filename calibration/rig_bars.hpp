#pragma once

#include <string>
#include <vector>

#include "calibration/rig.hpp"

namespace tinesight {

/// Which of the rig's bars each tag and saddle point belongs to. A bar is a cluster of tags of
/// equal depth: the tags' centers are projected on the mean normal of all tags and split where
/// neighbours in depth are further apart than twice a tag's side. That needs no bar to be exactly
/// flat or square to the rig, and a single tag that stands alone is a bar of its own.
struct RigBars {
  std::vector<int> bar_of_tag;     ///< parallel to Rig::tags
  std::vector<int> bar_of_point;   ///< parallel to Rig::points; the bar nearest in depth
  std::vector<std::string> names;  ///< "mount bar" and "pickup bar" where there are two

  [[nodiscard]] int Count() const { return static_cast<int>(names.size()); }
};

/// Bars ordered by increasing depth, that is from the mount (nearest the phone) to the pickup.
[[nodiscard]] RigBars FindRigBars(const Rig& rig);

/// Length of a tag's side, the mean of its four.
[[nodiscard]] double TagSideMm(const RigTag& tag);

/// Unit vectors of a tag's plane: along its top side (left to right), and along its left side
/// (top to bottom) made square to it. Their cross product points away from the viewer.
struct TagAxes {
  Eigen::Vector3d right = Eigen::Vector3d::UnitX();
  Eigen::Vector3d down = Eigen::Vector3d::UnitY();
};
[[nodiscard]] TagAxes AxesOfTag(const RigTag& tag);

}  // namespace tinesight
