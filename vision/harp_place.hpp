#pragma once

#include <Eigen/Geometry>
#include <optional>

#include "vision/photo_view.hpp"
#include "vision/pickup_row.hpp"

namespace tinesight {

struct HarpPlaceOptions {
  double note_spacing_mm = 13.7;
  double row_z_mm = 0.0;    ///< plane of the row's `plane_mm` in the carrier frame
  double reach_mm = 80.0;   ///< stretch toward the mounts where the tines and tone bars are
  double flange_mm = 2.0;   ///< the row's flanges behind the faces of the pole tips
  double search_deg = 8.0;  ///< half range of the tines' direction about the carrier's +z
};

/// The direction of tines and tone bars from mount to pickup, carrier frame, length 1, from the
/// straight edges between the pickups and the mounts.
///
/// Tines and tone bars are parallel but for fractions of a degree, so that their images point to
/// one vanishing point, which is their direction (R. Hartley and A. Zisserman, "Multiple View
/// Geometry", ch. 8.6). Good to half a degree, seldom worse than two: a start for looking closer.
/// nullopt where hardly any edge is in view.
[[nodiscard]] std::optional<Eigen::Vector3d> DirectionOfEdges(const PhotoView& view,
                                                              const PickupRow& row,
                                                              const HarpPlaceOptions& options);

/// Where the harp stands as one photo shows it, whichever way the rig is clamped: carrier_from_harp
/// with the harp's x along the row of pickups (x of the first one as it is in the carrier), z along
/// `direction`, and the faces of the pole tips at y = z = 0. x is where the plane through the
/// camera and the row is square to z; the distance follows from the notes' spacing. nullopt with
/// fewer than four pickups.
[[nodiscard]] std::optional<Eigen::Isometry3d> PlaceHarp(const PhotoView& view,
                                                         const PickupRow& row,
                                                         const Eigen::Vector3d& direction,
                                                         const HarpPlaceOptions& options);

}  // namespace tinesight
