#pragma once

#include <Eigen/Core>
#include <string>
#include <vector>

#include "calibration/error.hpp"
#include "vision/photo_view.hpp"

namespace tinesight {

struct PickupRowOptions {
  double note_spacing_mm = 13.7;
  double bobbin_diameter_mm = 13.6;
  double pole_tip_diameter_mm = 3.0;
  double pole_protrusion_mm = 2.0;  ///< of the pole tips' faces out of the flanges
  double row_z_mm = 0.0;            ///< plane of the carrier frame in which the row is looked for
  double search_y_mm = 16.0;        ///< half the height of the band about y = 0 that is searched
  double min_x_mm = -190.0;         ///< the stretch of the row that is searched
  double max_x_mm = 190.0;
  double min_relative_score = 0.42;  ///< a pickup scores at least this share of the row's median
  [[nodiscard]] Result<void> Validate() const;
};

/// A pickup seen in the row: its flange's center in the plane z = row_z_mm of the carrier frame.
struct RowPickup {
  int index = 0;  ///< 0 for the leftmost pickup found, one more per note toward treble
  Eigen::Vector2d plane_mm = Eigen::Vector2d::Zero();
  double score = 0.0;
};

struct PickupRow {
  std::vector<RowPickup> pickups;  ///< ascending index
  double spacing_mm = 0.0;         ///< as seen in the plane; differs from nominal if z is off
  double slope = 0.0;              ///< dy/dx of the row in the plane
};

/// Finds the row of pickups as equal circles of the bobbin's diameter at equal distances, by
/// letting image gradients vote for centers in the picture rectified to the plane of the pickups.
[[nodiscard]] Result<PickupRow> FindPickupRow(const PhotoView& view,
                                              const PickupRowOptions& options);

}  // namespace tinesight
