#include "viewer/photo_overlay.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace tinesight {

using Eigen::Vector2d;
using Eigen::Vector3d;

namespace {

bool InPicture(const Camera& camera, const Vector2d& p) {
  return p.x() >= 0.0 && p.y() >= 0.0 && p.x() <= camera.width_px - 1 &&
         p.y() <= camera.height_px - 1;
}

std::optional<Segment> ProjectSegment(const PhotoMeasurement& photo, const Vector3d& a_mm,
                                      const Vector3d& b_mm) {
  const auto a = ProjectUndistorted(photo, a_mm);
  const auto b = ProjectUndistorted(photo, b_mm);
  if (!a || !b) return std::nullopt;
  return Segment{*a, *b};
}

double DistanceToSegment(const Vector2d& p, const Segment& s) {
  const Vector2d along = s[1] - s[0];
  const double t =
      std::clamp((p - s[0]).dot(along) / std::max(along.squaredNorm(), 1e-12), 0.0, 1.0);
  return (p - s[0] - t * along).norm();
}

const NoteMeasurement* FindNote(const VisitMeasurement& visit, int midi) {
  const auto note = std::find_if(visit.notes.begin(), visit.notes.end(),
                                 [midi](const NoteMeasurement& n) { return n.midi == midi; });
  return note == visit.notes.end() ? nullptr : &*note;
}

// The two lines on the rod along which the camera sees its outline: where the line of sight
// touches the cylinder. For a distant camera these lie square to the line of sight.
std::array<std::optional<Segment>, 2> Outline(const PhotoMeasurement& photo,
                                              const NoteMeasurement& note) {
  const Vector3d eye = photo.camera_from_harp.inverse().translation();
  const Vector3d axis = (note.tip_harp_mm - note.root_harp_mm).normalized();
  const double radius = 0.5 * note.tine_diameter_mm;
  // Seen along the axis the eye is at `away` from it; the tangents touch at the angle acos(r / d).
  const Vector3d to_eye = eye - note.root_harp_mm;
  const Vector3d away = to_eye - axis * axis.dot(to_eye);
  const double distance = away.norm();
  if (!(distance > radius)) return {};
  const Vector3d toward = away / distance;
  const Vector3d across = axis.cross(toward);
  const double cosine = radius / distance;
  const double sine = std::sqrt(1.0 - cosine * cosine);
  std::array<std::optional<Segment>, 2> outline;
  for (std::size_t side = 0; side < 2; ++side) {
    const double sign = side == 0 ? -1.0 : 1.0;
    const Vector3d rim = radius * (cosine * toward + sign * sine * across);
    outline[side] = ProjectSegment(photo, note.root_harp_mm + rim, note.tip_harp_mm + rim);
  }
  return outline;
}

}  // namespace

std::optional<Vector2d> ProjectUndistorted(const PhotoMeasurement& photo,
                                           const Vector3d& point_harp_mm) {
  const Vector3d p = photo.camera_from_harp * point_harp_mm;
  if (!(p.z() > 1.0)) return std::nullopt;
  const Camera& camera = photo.camera;
  const Vector2d position(camera.fx_px * p.x() / p.z() + camera.cx_px,
                          camera.fy_px * p.y() / p.z() + camera.cy_px);
  const double margin = 0.25 * std::max(camera.width_px, camera.height_px);
  const bool near = position.x() > -margin && position.y() > -margin &&
                    position.x() < camera.width_px + margin &&
                    position.y() < camera.height_px + margin;
  return near ? std::optional(position) : std::nullopt;
}

std::optional<NoteOverlay> OverlayOf(const PhotoMeasurement& photo, const NoteMeasurement& note,
                                     const NoteProfile* target) {
  if (!photo.used || !note.lateral_mm) return std::nullopt;
  const Vector3d direction = note.tip_harp_mm - note.root_harp_mm;
  if (!(direction.z() > 1e-6)) return std::nullopt;
  const Vector3d at_face =
      note.root_harp_mm +
      direction * ((note.pickup_harp_mm.z() - note.root_harp_mm.z()) / direction.z());
  const double height = target != nullptr ? target->height_mm : 0.0;
  const Vector3d ideal_mm = note.pickup_harp_mm + Vector3d(0.0, height, 0.0);
  // The arrow lies at the tine's own height, where it can be seen: it is sideways alone.
  const Vector3d beside_mm(note.pickup_harp_mm.x(), at_face.y(), at_face.z());
  const Vector3d sideways_mm = at_face - beside_mm;

  const auto found = ProjectSegment(photo, note.root_harp_mm, note.tip_harp_mm);
  const auto prolonged = ProjectSegment(photo, note.tip_harp_mm, at_face);
  const auto ideal = ProjectSegment(photo, note.root_harp_mm, ideal_mm);
  const auto offset = ProjectSegment(photo, beside_mm, at_face);
  const auto magnified =
      ProjectSegment(photo, beside_mm, beside_mm + kMagnifiedArrow * sideways_mm);
  const auto pickup = ProjectUndistorted(photo, note.pickup_harp_mm);
  const auto outline = Outline(photo, note);
  if (!found || !prolonged || !ideal || !offset || !magnified || !pickup || !outline[0] ||
      !outline[1]) {
    return std::nullopt;
  }
  if (!InPicture(photo.camera, *pickup) && !InPicture(photo.camera, (*found)[0])) {
    return std::nullopt;
  }
  NoteOverlay overlay;
  overlay.midi = note.midi;
  overlay.found = *found;
  overlay.prolonged = *prolonged;
  overlay.ideal = *ideal;
  overlay.offset = *offset;
  overlay.magnified = *magnified;
  overlay.edges = {*outline[0], *outline[1]};
  overlay.pickup = *pickup;
  overlay.tine_width_px = ((*outline[0])[1] - (*outline[1])[1]).norm();
  constexpr int kCorners = 48;
  for (int i = 0; i < kCorners; ++i) {
    const double angle = 2.0 * std::numbers::pi * i / kCorners;
    const auto corner = ProjectUndistorted(
        photo, note.pickup_harp_mm + 0.5 * note.pole_tip_diameter_mm *
                                         Vector3d(std::cos(angle), std::sin(angle), 0.0));
    if (corner) overlay.target_ring.push_back(*corner);
  }
  return overlay;
}

std::vector<NoteOverlay> OverlaysOf(const PhotoMeasurement& photo, const VisitMeasurement& visit,
                                    const InstrumentProfile* profile) {
  std::vector<NoteOverlay> overlays;
  for (const int midi : photo.notes) {
    const NoteMeasurement* note = FindNote(visit, midi);
    if (note == nullptr) continue;
    const NoteProfile* target = profile != nullptr ? profile->Find(midi) : nullptr;
    if (auto overlay = OverlayOf(photo, *note, target)) overlays.push_back(std::move(*overlay));
  }
  return overlays;
}

int NoteAt(const std::vector<NoteOverlay>& overlays, const Vector2d& position_px, double reach_px) {
  int midi = 0;
  double nearest = reach_px;
  for (const NoteOverlay& overlay : overlays) {
    const double distance = std::min(DistanceToSegment(position_px, overlay.found),
                                     DistanceToSegment(position_px, overlay.prolonged));
    if (distance > nearest) continue;
    nearest = distance;
    midi = overlay.midi;
  }
  return midi;
}

std::vector<std::size_t> PhotosOfNote(const VisitMeasurement& visit, int midi) {
  const NoteMeasurement* note = FindNote(visit, midi);
  std::vector<std::pair<double, std::size_t>> ranked;
  for (std::size_t i = 0; i < visit.photos.size(); ++i) {
    const PhotoMeasurement& photo = visit.photos[i];
    if (!photo.used ||
        std::find(photo.notes.begin(), photo.notes.end(), midi) == photo.notes.end()) {
      continue;
    }
    double distance_mm = 0.0;
    if (note != nullptr && note->lateral_mm) {
      distance_mm = (photo.camera_from_harp * note->pickup_harp_mm).norm();
    }
    ranked.emplace_back(distance_mm, i);
  }
  std::stable_sort(ranked.begin(), ranked.end(),
                   [](const auto& a, const auto& b) { return a.first < b.first; });
  std::vector<std::size_t> photos;
  photos.reserve(ranked.size());
  for (const auto& [distance_mm, index] : ranked) photos.push_back(index);
  return photos;
}

}  // namespace tinesight
