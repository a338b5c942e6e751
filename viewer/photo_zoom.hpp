#pragma once

#include <Eigen/Core>

namespace tinesight {

/// Where a photo lies on a screen area. Screen positions are px from the area's top-left corner,
/// photo positions px with the center of the top-left pixel at (0, 0).
struct PhotoZoom {
  double scale = 1.0;                                   ///< screen px per photo px
  Eigen::Vector2d origin_px = Eigen::Vector2d::Zero();  ///< of the photo's top-left corner

  [[nodiscard]] Eigen::Vector2d ToScreen(const Eigen::Vector2d& photo_px) const {
    return origin_px + scale * (photo_px + Eigen::Vector2d(0.5, 0.5));
  }
  [[nodiscard]] Eigen::Vector2d ToPhoto(const Eigen::Vector2d& screen_px) const {
    return (screen_px - origin_px) / scale - Eigen::Vector2d(0.5, 0.5);
  }
};

/// The whole photo in the middle of the area.
[[nodiscard]] PhotoZoom FitPhoto(const Eigen::Vector2d& photo_px, const Eigen::Vector2d& area_px);

/// A box of the photo (its corners) in the middle of the area.
[[nodiscard]] PhotoZoom FitBox(const Eigen::Vector2d& corner_px, const Eigen::Vector2d& opposite_px,
                               const Eigen::Vector2d& area_px);

/// Scales about a screen position, which keeps its place on the photo. The scale stays between a
/// tenth of `FitPhoto`'s and 32.
void ZoomPhoto(PhotoZoom& zoom, const Eigen::Vector2d& cursor_px, double factor,
               const Eigen::Vector2d& photo_px, const Eigen::Vector2d& area_px);

/// Keeps a part of the photo in the area, so that it can't be lost.
void KeepInArea(PhotoZoom& zoom, const Eigen::Vector2d& photo_px, const Eigen::Vector2d& area_px);

}  // namespace tinesight
