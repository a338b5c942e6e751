#pragma once

#include <Eigen/Core>
#include <cstddef>
#include <vector>

#include "vision/photo_view.hpp"

namespace tinesight {

/// A pole's middle, carrier frame: where it stands in its row.
struct PoleInRow {
  std::size_t pickup = 0;  ///< index of its pickup
  Eigen::Vector3d center_mm = Eigen::Vector3d::Zero();
};

/// Where a pickup's axis was found so far.
struct PickupAxis {
  std::size_t pickup = 0;
  Eigen::Vector3d on_axis_mm = Eigen::Vector3d::Zero();  ///< where its flange is, carrier frame
};

/// Finds poles whose face shows no rim by what they look like: each is shifted until it agrees with
/// its neighbors' (RegisterRings). Only the half away from the tine is looked at, and only poles
/// of one look are held against each other. `axes` must stand in the order of the row.
///
/// How the poles' middles look on the whole is not known: what changes slowly along the row, a line
/// over some ten places, in x and in y, is taken over from the axes. A pole that shows little stays
/// near its axis. Empty where fewer than five poles look alike.
[[nodiscard]] std::vector<PoleInRow> FindPolesInRow(const PhotoView& view, double tip_radius_mm,
                                                    const std::vector<PickupAxis>& axes);

}  // namespace tinesight
