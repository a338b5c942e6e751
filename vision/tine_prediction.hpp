#pragma once

#include <Eigen/Core>
#include <optional>

namespace tinesight {

/// The line along a tine's axis, carrier frame.
struct TineLine {
  Eigen::Vector3d at_pickup_mm = Eigen::Vector3d::Zero();  ///< where it meets the pickup's face
  Eigen::Vector3d direction = Eigen::Vector3d::UnitZ();    ///< from mount to pickup, length 1
};

/// Where a note's tine should be, in the carrier frame, and how far off it may be.
struct TinePrediction {
  Eigen::Vector3d pickup_mm = Eigen::Vector3d::Zero();   ///< center of the pole tip's face
  Eigen::Vector3d direction = Eigen::Vector3d::UnitZ();  ///< from mount to pickup
  double height_mm = 1.0;    ///< of the axis above the pickup's center (+y)
  double gap_mm = 1.4;       ///< from tip to pickup face
  double length_mm = 100.0;  ///< from root to tip
  double diameter_mm = 1.9;
  double pole_radius_mm = 1.5;
  double search_tip_mm = 4.0;     ///< half range of the axis' offset at the pickup, across the view
  double search_root_mm = 1.6;    ///< half range at the root
  double expected_root_mm = 0.0;  ///< middle of the range at the root, across the view
  double root_sigma_mm = 0.8;     ///< standard deviation about it
  /// Where other photos show the tine, if any does.
  std::optional<TineLine> seen_elsewhere;
};

}  // namespace tinesight
