#include "vision/tag_place.hpp"

#include <Eigen/Dense>

#include "vision/tag_template.hpp"

namespace tinesight {

double AreaPx2(const TagCorners& corners_px) {
  double sum = 0.0;
  for (std::size_t k = 0; k < 4; ++k) {
    const Eigen::Vector2d& a = corners_px[k];
    const Eigen::Vector2d& b = corners_px[(k + 1) % 4];
    sum += a.x() * b.y() - a.y() * b.x();
  }
  return 0.5 * sum;
}

std::optional<TagPlace> PlaceThrough(const TagCorners& corners_px) {
  static const double square[4][2] = {
      {0, 0}, {kTagCells, 0}, {kTagCells, kTagCells}, {0, kTagCells}};
  using Matrix8 = Eigen::Matrix<double, 8, 8>;
  Matrix8 a;
  Eigen::Matrix<double, 8, 1> b;
  for (int k = 0; k < 4; ++k) {
    const double u = square[k][0];
    const double v = square[k][1];
    const Eigen::Vector2d& p = corners_px[static_cast<std::size_t>(k)];
    a.row(2 * k) << u, v, 1, 0, 0, 0, -u * p.x(), -v * p.x();
    a.row(2 * k + 1) << 0, 0, 0, u, v, 1, -u * p.y(), -v * p.y();
    b.segment<2>(2 * k) = p;
  }
  const Matrix8 inverse = a.fullPivLu().inverse();
  const Eigen::Matrix<double, 8, 1> h = inverse * b;
  if (!h.allFinite()) return std::nullopt;
  TagPlace place;
  place.px_from_cells << h(0), h(1), h(2), h(3), h(4), h(5), h(6), h(7), 1.0;
  place.cells_from_px = place.px_from_cells.inverse();
  // a h = b by one coordinate of corner k: only the denominator at that corner is left.
  for (int k = 0; k < 4; ++k) {
    const double denominator = h(6) * square[k][0] + h(7) * square[k][1] + 1.0;
    place.entries_by_corners.middleCols<2>(2 * k) = inverse.middleCols<2>(2 * k) * denominator;
  }
  return place;
}

}  // namespace tinesight
