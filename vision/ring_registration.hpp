#pragma once

#include <Eigen/Core>
#include <vector>

#include "vision/photo_view.hpp"

namespace tinesight {

/// A circle square to the carrier frame's z axis, to be held against those of its neighbors.
struct RingPatch {
  double place = 0.0;  ///< in the row of pickups
  Eigen::Vector3d center_mm = Eigen::Vector3d::Zero();
};

/// Brings the rings of one kind in a photo in line with each other, as RegisterRods() does with
/// rods: pickups of one make look alike about their rings, so each ring is shifted in its plane
/// until the picture between `inner_mm` and `outer_mm` about its center agrees with its neighbors'.
/// The shifts' local line along the row is taken out, as what is common to all can't be told.
/// Needs five rings; with fewer nothing is moved.
void RegisterRings(const PhotoView& view, double inner_mm, double outer_mm,
                   std::vector<RingPatch>& rings);

/// Brings a ring that could not be fitted by itself in line with its neighbors' `rings`, which stay
/// where they are. Returns how much it looks like them there: the correlation of the pictures, 1
/// where they are the same; 0, and nothing is moved, with fewer than five neighbors or with none
/// within ten places.
[[nodiscard]] double RegisterToRings(const PhotoView& view, double inner_mm, double outer_mm,
                                     const std::vector<RingPatch>& rings, RingPatch& ring);

}  // namespace tinesight
