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
  std::optional<CenterObservation> pole;    ///< the pole tip's face
  /// The pole tip's center in the plane z = row_z_mm of the carrier frame, for predictions.
  Eigen::Vector2d plane_mm = Eigen::Vector2d::Zero();
};

/// Measures flange and pole tip of every pickup of the row, in its order: the flange as a ring that
/// stands out, the pole before it as it is read (ReadPole), whatever its shape.
[[nodiscard]] std::vector<DetectedPickup> DetectPickups(const PhotoView& view, const PickupRow& row,
                                                        const PickupRowOptions& options);

}  // namespace tinesight
