#pragma once

#include <Eigen/Core>
#include <array>
#include <optional>
#include <vector>

#include "alignment/measurement.hpp"
#include "alignment/profile.hpp"

namespace tinesight {

/// How much longer than true the magnified offset arrow is.
inline constexpr double kMagnifiedArrow = 10.0;

using Segment = std::array<Eigen::Vector2d, 2>;

/// One note as lines on the undistorted photo (the same size, focal lengths and center, no
/// distortion, so that straight stays straight). Positions are px of that picture, center of the
/// top-left pixel at (0, 0).
struct NoteOverlay {
  int midi = 0;
  Segment found;      ///< the tine's axis from root to tip
  Segment prolonged;  ///< and on to the pickup's face
  Segment ideal;      ///< from the root to where the axis should meet the face
  Segment offset;     ///< at the face, from where the axis should be sideways to where it is
  Segment magnified;  ///< the same arrow kMagnifiedArrow times as long
  std::array<Segment, 2> edges;              ///< the tine's outline, both sides, root to tip
  std::vector<Eigen::Vector2d> target_ring;  ///< outline of the pole tip's face
  Eigen::Vector2d pickup = Eigen::Vector2d::Zero();
  double tine_width_px = 0.0;  ///< at the tip
};

/// Position on the undistorted picture of a point in the harp frame; nothing where the point is
/// behind the camera or so far outside that the lens could not have shown it.
[[nodiscard]] std::optional<Eigen::Vector2d> ProjectUndistorted(
    const PhotoMeasurement& photo, const Eigen::Vector3d& point_harp_mm);

/// What can be drawn of a note in a photo; nothing where it was not measured or is out of view.
/// `target` may be nullptr: the ideal axis then meets the pickup's center.
[[nodiscard]] std::optional<NoteOverlay> OverlayOf(const PhotoMeasurement& photo,
                                                   const NoteMeasurement& note,
                                                   const NoteProfile* target);

/// The overlay of every note in view of the photo.
[[nodiscard]] std::vector<NoteOverlay> OverlaysOf(const PhotoMeasurement& photo,
                                                  const VisitMeasurement& visit,
                                                  const InstrumentProfile* profile);

/// MIDI number of the note whose tine is within `reach_px` of a position, the nearest; 0: none.
[[nodiscard]] int NoteAt(const std::vector<NoteOverlay>& overlays,
                         const Eigen::Vector2d& position_px, double reach_px);

/// Indices of the used photos that show a note whole, the one whose camera was
/// nearest to its pickup first.
[[nodiscard]] std::vector<std::size_t> PhotosOfNote(const VisitMeasurement& visit, int midi);

}  // namespace tinesight
