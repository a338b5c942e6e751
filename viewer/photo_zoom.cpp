#include "viewer/photo_zoom.hpp"

#include <algorithm>

namespace tinesight {

using Eigen::Vector2d;

PhotoZoom FitPhoto(const Vector2d& photo_px, const Vector2d& area_px) {
  PhotoZoom zoom;
  zoom.scale = area_px.cwiseQuotient(photo_px.cwiseMax(1.0)).minCoeff();
  zoom.origin_px = 0.5 * (area_px - zoom.scale * photo_px);
  return zoom;
}

PhotoZoom FitBox(const Vector2d& corner_px, const Vector2d& opposite_px, const Vector2d& area_px) {
  const Vector2d size = (opposite_px - corner_px).cwiseAbs().cwiseMax(1.0);
  PhotoZoom zoom;
  zoom.scale = std::min(area_px.cwiseQuotient(size).minCoeff(), 32.0);
  const Vector2d middle = 0.5 * (corner_px + opposite_px) + Vector2d(0.5, 0.5);
  zoom.origin_px = 0.5 * area_px - zoom.scale * middle;
  return zoom;
}

void ZoomPhoto(PhotoZoom& zoom, const Vector2d& cursor_px, double factor, const Vector2d& photo_px,
               const Vector2d& area_px) {
  const double least = 0.1 * FitPhoto(photo_px, area_px).scale;
  const double wanted = std::clamp(zoom.scale * factor, least, std::max(least, 32.0));
  zoom.origin_px = cursor_px + (wanted / zoom.scale) * (zoom.origin_px - cursor_px);
  zoom.scale = wanted;
}

void KeepInArea(PhotoZoom& zoom, const Vector2d& photo_px, const Vector2d& area_px) {
  const Vector2d size = zoom.scale * photo_px;
  const Vector2d kept = (0.5 * size).cwiseMin(Vector2d(60.0, 60.0));
  zoom.origin_px = zoom.origin_px.cwiseMax(kept - size).cwiseMin(area_px - kept);
}

}  // namespace tinesight
