#pragma once

// For record/ alone.
#include "alignment/measurement.hpp"
#include "alignment/profile.hpp"
#include "record/drawing.hpp"

namespace tinesight {

/// What a cross-section shows, in the plane of the pickup's face.
struct CrossSection {
  const NoteMeasurement* note = nullptr;    ///< with a lateral offset
  const NoteMeasurement* before = nullptr;  ///< the same note as found; drawn dashed; may be absent
  const NoteProfile* target = nullptr;      ///< for the tolerance box; may be absent
};

/// Semi-axes (columns, mm; x toward treble, y up as played) of the ellipse of ±U (k = 2) about the
/// tine's axis at the pickup: from the covariance of lateral offset and height where it is stated,
/// else along x and y. A height that was not measured gives no extent in y.
[[nodiscard]] Eigen::Matrix2d UncertaintyEllipse(const NoteMeasurement& note);

/// Draws the pole tip, the tine where its axis meets the pickup's face, the ellipse of ±U and the
/// box of what is tolerated, to scale, as seen from the pickup toward the mount: treble at the
/// right, up as played. Where the height was not measured the tine stands at its target height, and
/// the drawing says so.
void DrawCrossSection(Drawing& drawing, const Rect& box, const CrossSection& section);

}  // namespace tinesight
