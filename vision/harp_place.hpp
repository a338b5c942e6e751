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

/// Where the harp stands as one photo shows it, whichever way the rig is clamped: carrier_from_harp
/// with the harp's x along the row of pickups (x of the first one as it is in the carrier), z along
/// tines and tone bars, and the faces of the pole tips at y = z = 0.
///
/// Tines and tone bars are parallel but for fractions of a degree, so that their images point to
/// one vanishing point, which is the direction of z (R. Hartley and A. Zisserman, "Multiple View
/// Geometry", ch. 8.6). Every edge between pickups and mounts votes. x is where the plane through
/// the camera and the row is square to z; the distance follows from the notes' spacing.
///
/// Good to some tenths of a degree and some millimetres: a start for looking closer. nullopt where
/// fewer than four pickups or hardly any edge are in view.
[[nodiscard]] std::optional<Eigen::Isometry3d> PlaceHarp(const PhotoView& view,
                                                         const PickupRow& row,
                                                         const HarpPlaceOptions& options);

}  // namespace tinesight
