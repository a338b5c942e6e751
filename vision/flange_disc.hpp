#pragma once

#include <Eigen/Core>
#include <optional>
#include <vector>

#include "vision/ring_fit.hpp"

namespace tinesight {

/// What a photo's flanges are: discs, all alike.
struct FlangeDisc {
  double thickness_mm = 0.0;
  double radius_mm = 0.0;
};

/// One flange as it is taken to show.
struct ShownFlange {
  RingProfiles profiles;
  Eigen::Vector2d middle_mm;     ///< of the plain circle that fits it, from the profiles' center
  Eigen::Vector2d shift_per_mm;  ///< of what lies 1 mm further back, in the profiles' plane
};

/// The thickness and radius with which the outlines of all flanges of a photo show best. A plain
/// circle through a disc's outline takes the front's rim on one side and the back's on the other,
/// on one flange more than on the next: it seems to lie now here, now there in depth. Nothing,
/// where a plain circle does as well: where light and ground hide one rim or the other.
[[nodiscard]] std::optional<FlangeDisc> FindFlangeDisc(const std::vector<ShownFlange>& flanges,
                                                       double usual_radius_mm);

}  // namespace tinesight
