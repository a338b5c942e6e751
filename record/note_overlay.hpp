#pragma once

// For record/ alone: what is drawn on a photo at one note, whether on all of it or on a crop.
#include <Eigen/Core>
#include <optional>
#include <vector>

#include "alignment/measurement.hpp"
#include "alignment/profile.hpp"
#include "record/canvas.hpp"

namespace tinesight {

/// Where a part of the photo stands in the picture that is drawn: px of the photo times `scale`,
/// with `origin_px` of the photo at the middle of the picture's top-left pixel.
struct PictureWindow {
  Eigen::Vector2d origin_px = Eigen::Vector2d::Zero();
  double scale = 1.0;
};

/// From the harp frame (mm) to px of a picture of a photo. The photo must outlive it.
class PhotoProjection {
 public:
  PhotoProjection(const PhotoMeasurement& photo, const PictureWindow& window = {})
      : photo_(photo), window_(window) {}

  /// Nothing where the place is behind the camera or far outside the photo.
  [[nodiscard]] std::optional<Eigen::Vector2d> Project(const Eigen::Vector3d& point_harp_mm) const;
  /// A straight line in space is no straight line in a distorted picture: this one has pieces.
  [[nodiscard]] std::vector<Eigen::Vector2d> Segment(const Eigen::Vector3d& from_mm,
                                                     const Eigen::Vector3d& to_mm) const;
  /// A circle in the plane of the pickups' faces.
  [[nodiscard]] std::vector<Eigen::Vector2d> Ring(const Eigen::Vector3d& center_mm,
                                                  double diameter_mm) const;
  /// Whether the place is on the photo.
  [[nodiscard]] bool OnPhoto(const Eigen::Vector3d& point_harp_mm) const;

 private:
  [[nodiscard]] std::optional<Eigen::Vector2d> ProjectToPhoto(
      const Eigen::Vector3d& point_harp_mm) const;

  const PhotoMeasurement& photo_;
  PictureWindow window_;
};

/// Where a label's leader line may end without hiding anything.
struct OverlayAnchors {
  Eigen::Vector2d above_px = Eigen::Vector2d::Zero();
  Eigen::Vector2d below_px = Eigen::Vector2d::Zero();
};

/// The tine's axis as found (solid, then dashed to the pickup's face) and as it should be (dashed),
/// a ring at the pole tip, above it an arrow for the lateral offset, `arrow_scale` times its
/// length. `line_scale`: that of overlay_style.hpp. Nothing is drawn, and nothing given, where the
/// note is not in the photo. Precondition: note.lateral_mm is present.
[[nodiscard]] std::optional<OverlayAnchors> DrawNoteOverlay(Canvas& canvas,
                                                            const PhotoProjection& projection,
                                                            const NoteMeasurement& note,
                                                            const NoteProfile* nominal,
                                                            double line_scale, double arrow_scale);

}  // namespace tinesight
