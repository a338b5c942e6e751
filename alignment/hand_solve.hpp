#pragma once

#include <Eigen/Core>
#include <Eigen/Geometry>
#include <array>
#include <optional>
#include <span>

#include "alignment/measurement.hpp"
#include "alignment/profile.hpp"
#include "calibration/camera.hpp"
#include "calibration/error.hpp"

namespace tinesight {

/// Where a person says that a note's parts are in one photo. Positions are px of the undistorted
/// photo (the camera's own focal lengths and center, no distortion), center of the top-left pixel
/// at (0, 0).
struct HandPlacement {
  Camera camera;  ///< as of this photo
  Eigen::Isometry3d camera_from_harp = Eigen::Isometry3d::Identity();
  /// Two points on the tine's axis, toward the root and toward the tip; only their distance from
  /// the axis's image counts, not where along it they are.
  std::array<Eigen::Vector2d, 2> axis_px;
  std::optional<Eigen::Vector2d> pickup_px;  ///< center of the pole tip's face
  double sigma_px = 1.0;                     ///< standard uncertainty of a hand with a magnifier
};

/// The note from what was placed by hand alone: photos in which nothing was placed take no part,
/// since one can't tell which of them misled the measurement. The profile is the prior, as in
/// SolveHarp; a pickup that was not placed stays where it was measured, and so does the gap.
///
/// Cameras are taken as solved. Their uncertainty is in the measured figures' U, so no figure's U
/// comes out smaller than it was measured with. Least squares in seven unknowns by Gauss and
/// Newton: a millisecond. Fails where nothing was placed or the note was not measured.
[[nodiscard]] Result<NoteMeasurement> SolveByHand(const NoteMeasurement& measured,
                                                  const InstrumentProfile& instrument,
                                                  std::span<const HandPlacement> placements);

}  // namespace tinesight
