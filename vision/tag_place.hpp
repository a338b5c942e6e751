#pragma once

#include <Eigen/Core>
#include <array>
#include <optional>

namespace tinesight {

/// Corners of a tag's black square in px: top-left, top-right, bottom-right, bottom-left.
using TagCorners = std::array<Eigen::Vector2d, 4>;

/// Signed area; positive where the corners run clockwise in the picture, as a tag's do.
[[nodiscard]] double AreaPx2(const TagCorners& corners_px);

/// Homography from cells to px through the four corners, and how its first eight entries (row by
/// row, the ninth is 1) follow the corners' coordinates.
struct TagPlace {
  Eigen::Matrix3d px_from_cells;
  Eigen::Matrix3d cells_from_px;
  Eigen::Matrix<double, 8, 8> entries_by_corners;
};

/// Nothing where the corners degenerate.
[[nodiscard]] std::optional<TagPlace> PlaceThrough(const TagCorners& corners_px);

}  // namespace tinesight
