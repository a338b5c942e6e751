#include "record/note_overlay.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "record/overlay_style.hpp"

namespace tinesight {

using Eigen::Vector2d;
using Eigen::Vector3d;

std::optional<Vector2d> PhotoProjection::ProjectToPhoto(const Vector3d& point_harp_mm) const {
  const Vector3d point = photo_.camera_from_harp * point_harp_mm;
  if (!(point.z() > 1.0)) return std::nullopt;
  const Vector2d position = photo_.camera.Project(point);
  // Far outside, the distortion polynomial folds back and would draw the note in the picture.
  const double width = photo_.camera.width_px;
  const double height = photo_.camera.height_px;
  const double margin = 0.2 * width;
  const bool near = position.x() > -margin && position.x() < width + margin &&
                    position.y() > -margin && position.y() < height + margin;
  return near ? std::optional(position) : std::nullopt;
}

std::optional<Vector2d> PhotoProjection::Project(const Vector3d& point_harp_mm) const {
  const auto position = ProjectToPhoto(point_harp_mm);
  if (!position) return std::nullopt;
  return window_.scale * (*position - window_.origin_px);
}

std::vector<Vector2d> PhotoProjection::Segment(const Vector3d& from_mm,
                                               const Vector3d& to_mm) const {
  constexpr int kPieces = 24;
  std::vector<Vector2d> points;
  for (int i = 0; i <= kPieces; ++i) {
    const auto point = Project(from_mm + (to_mm - from_mm) * (static_cast<double>(i) / kPieces));
    if (point) points.push_back(*point);
  }
  return points;
}

std::vector<Vector2d> PhotoProjection::Ring(const Vector3d& center_mm, double diameter_mm) const {
  constexpr int kCorners = 64;
  std::vector<Vector2d> points;
  for (int i = 0; i < kCorners; ++i) {
    const double angle = 2.0 * std::numbers::pi * i / kCorners;
    const auto point =
        Project(center_mm + 0.5 * diameter_mm * Vector3d(std::cos(angle), std::sin(angle), 0.0));
    if (point) points.push_back(*point);
  }
  return points;
}

bool PhotoProjection::OnPhoto(const Vector3d& point_harp_mm) const {
  const auto position = ProjectToPhoto(point_harp_mm);
  return position && position->x() >= 0 && position->y() >= 0 &&
         position->x() < photo_.camera.width_px && position->y() < photo_.camera.height_px;
}

std::optional<OverlayAnchors> DrawNoteOverlay(Canvas& canvas, const PhotoProjection& projection,
                                              const NoteMeasurement& note,
                                              const NoteProfile* nominal, double line_scale,
                                              double arrow_scale) {
  const auto pickup = projection.Project(note.pickup_harp_mm);
  const auto root = projection.Project(note.root_harp_mm);
  if (!pickup || !root) return std::nullopt;
  if (!projection.OnPhoto(note.pickup_harp_mm) && !projection.OnPhoto(note.root_harp_mm)) {
    return std::nullopt;
  }
  const Vector3d direction = note.tip_harp_mm - note.root_harp_mm;
  if (!(direction.z() > 1e-6)) return std::nullopt;
  const Vector3d found =
      note.root_harp_mm +
      direction * ((note.pickup_harp_mm.z() - note.root_harp_mm.z()) / direction.z());
  const Vector3d ideal =
      note.pickup_harp_mm + Vector3d(0.0, nominal != nullptr ? nominal->height_mm : 0.0, 0.0);
  canvas.Polyline(projection.Segment(note.root_harp_mm, ideal), IdealStyle(line_scale));
  canvas.Polyline(projection.Segment(note.tip_harp_mm, found), ProlongedStyle(line_scale));
  canvas.Polyline(projection.Segment(note.root_harp_mm, note.tip_harp_mm), FoundStyle(line_scale));
  const std::vector<Vector2d> ring =
      projection.Ring(note.pickup_harp_mm, note.pole_tip_diameter_mm);
  canvas.Polyline(ring, RingStyle(line_scale), true);

  OverlayAnchors anchors{*pickup, *root};
  for (const Vector2d& p : ring) anchors.above_px.y() = std::min(anchors.above_px.y(), p.y());
  anchors.above_px.y() -= 24.0 * line_scale;
  // The arrow stands above the ring, where it hides neither tine nor pole tip.
  const auto aside = projection.Project(note.pickup_harp_mm +
                                        Vector3d(arrow_scale * note.lateral_mm->value, 0.0, 0.0));
  if (aside) {
    canvas.Arrow(anchors.above_px, anchors.above_px + (*aside - *pickup), ArrowStyle(line_scale),
                 22.0 * line_scale);
  }
  return anchors;
}

}  // namespace tinesight
