#include "record/note_picture.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <opencv2/imgproc.hpp>

#include "record/canvas.hpp"
#include "record/note_overlay.hpp"

namespace tinesight {
namespace {

using Eigen::Vector2d;

constexpr double kMarginShare = 0.3;    // of the note's length in the photo, at either end
constexpr double kLeastSide_mm = 32.0;  // a short tine is shown with its neighbors
// Of overlay_style.hpp: lines thinner than the tine, and still seen on paper.
constexpr double kLineScale = 0.7;

// Where the arrow for the lateral offset ends, as far as it may widen the picture: what is farther
// off is seen without it.
std::optional<Vector2d> ArrowEnd(const PhotoProjection& projection, const NoteMeasurement& note) {
  constexpr double kFarthest_mm = 12.0;
  const double aside_mm =
      std::clamp(kPictureArrowScale * note.lateral_mm->value, -kFarthest_mm, kFarthest_mm);
  return projection.Project(note.pickup_harp_mm + aside_mm * Eigen::Vector3d::UnitX());
}

// The square around the note in px of the photo, moved to lie in it.
cv::Rect WindowAround(const cv::Size& photo_size, const PhotoProjection& projection,
                      const NoteMeasurement& note) {
  const auto root = projection.Project(note.root_harp_mm);
  const auto pickup = projection.Project(note.pickup_harp_mm);
  const auto aside = projection.Project(note.pickup_harp_mm + Eigen::Vector3d::UnitX());
  if (!root || !pickup || !aside) return {};
  const double scale = (*aside - *pickup).norm();  // px per mm at the pickup
  const Vector2d arrow = ArrowEnd(projection, note).value_or(*pickup);
  const Vector2d low = root->cwiseMin(*pickup).cwiseMin(arrow);
  const Vector2d high = root->cwiseMax(*pickup).cwiseMax(arrow);
  const double length = (high - low).maxCoeff();
  const double longest = std::min(photo_size.width, photo_size.height);
  const int side = static_cast<int>(std::lround(std::clamp(
      std::max((1.0 + 2.0 * kMarginShare) * length, kLeastSide_mm * scale), 16.0, longest)));
  const Vector2d middle = 0.5 * (low + high);
  const auto place = [&](double center, int extent) {
    return std::clamp(static_cast<int>(std::lround(center - 0.5 * side)), 0, extent - side);
  };
  return {place(middle.x(), photo_size.width), place(middle.y(), photo_size.height), side, side};
}

}  // namespace

std::optional<std::size_t> BestPhotoOf(const VisitMeasurement& visit, int midi) {
  const auto note = std::find_if(visit.notes.begin(), visit.notes.end(),
                                 [&](const NoteMeasurement& n) { return n.midi == midi; });
  if (note == visit.notes.end() || !note->lateral_mm) return std::nullopt;
  std::optional<std::size_t> best;
  double least = std::numeric_limits<double>::max();
  for (std::size_t i = 0; i < visit.photos.size(); ++i) {
    const PhotoMeasurement& photo = visit.photos[i];
    if (!photo.used) continue;
    if (std::find(photo.notes.begin(), photo.notes.end(), midi) == photo.notes.end()) continue;
    const PhotoProjection projection(photo);
    if (!projection.OnPhoto(note->root_harp_mm) || !projection.OnPhoto(note->pickup_harp_mm)) {
      continue;
    }
    const Vector2d middle(0.5 * photo.camera.width_px, 0.5 * photo.camera.height_px);
    const double distance = (*projection.Project(note->pickup_harp_mm) - middle).norm();
    if (distance < least) {
      least = distance;
      best = i;
    }
  }
  return best;
}

cv::Mat NotePicture(const cv::Mat& bgr, const PhotoMeasurement& photo, const NoteMeasurement& note,
                    const NoteProfile* nominal, int size_px) {
  if (!note.lateral_mm) return {};
  const cv::Rect window = WindowAround(bgr.size(), PhotoProjection(photo), note);
  if (window.empty()) return {};
  const double scale = static_cast<double>(size_px) / window.width;
  cv::Mat square;
  cv::resize(bgr(window), square, {size_px, size_px}, 0.0, 0.0,
             scale < 1.0 ? cv::INTER_AREA : cv::INTER_CUBIC);
  Canvas canvas(square);
  // cv::resize lines up the outer edges of both pictures: half a pixel of either size beyond the
  // middle of its outermost pixels.
  const double shift = 0.5 / scale - 0.5;
  const PhotoProjection projection(photo, {Vector2d(window.x + shift, window.y + shift), scale});
  if (!DrawNoteOverlay(canvas, projection, note, nominal, kLineScale, kPictureArrowScale))
    return {};
  return canvas.Picture();
}

}  // namespace tinesight
