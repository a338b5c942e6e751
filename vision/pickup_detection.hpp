#pragma once

#include <optional>
#include <vector>

#include "vision/note_observation.hpp"
#include "vision/photo_view.hpp"
#include "vision/pickup_row.hpp"

namespace tinesight {

/// One pickup as one photo shows it.
struct DetectedPickup {
  int index = 0;                            ///< as in RowPickup
  std::optional<CenterObservation> flange;  ///< the bobbin's flange toward the tine
  std::optional<CenterObservation> collar;  ///< the pole's widest ring, between flange and tip
  std::optional<CenterObservation> pole;    ///< the pole tip's face
  /// The pole tip's face as the poles' likeness to each other tells it, but for a line along the
  /// row (FindPolesInRow); where none showed its rim.
  std::optional<CenterObservation> pole_in_row;
  /// The pole tip's center in the plane z = row_z_mm of the carrier frame, for predictions.
  Eigen::Vector2d plane_mm = Eigen::Vector2d::Zero();
  /// Where in the picture what lies deeper, on the same axis, is seen: a unit vector.
  Eigen::Vector2d deeper_px = Eigen::Vector2d::Zero();
};

struct DetectedPickups {
  std::vector<DetectedPickup> pickups;
  double collar_radius_mm = 0.0;  ///< of the pole's widest ring; 0 if none stood out
  double protrusion_mm = 0.0;     ///< pole tip face in front of the collar; 0 if it can't be told
};

/// Measures flange, collar and pole tip of every pickup of the row. What all pickups of a photo
/// share (the collar's radius, how far the tip stands out) is found from all of them together.
/// The three rings lie at different depths; only their common axis is assumed.
[[nodiscard]] DetectedPickups DetectPickups(const PhotoView& view, const PickupRow& row,
                                            const PickupRowOptions& options);

}  // namespace tinesight
