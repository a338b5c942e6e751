#pragma once

#include <Eigen/Core>
#include <cmath>

#include "alignment/harp_solve.hpp"

namespace tinesight {

/// What the least-squares problems over notes share. Templates over the scalar, for Ceres.
/// `note` is the state of a SolvedNote.
template <typename T>
Eigen::Matrix<T, 3, 1> AxisPointAt(const T* note, const T& along) {
  using std::tan;
  return {note[SolvedNote::kX] + note[SolvedNote::kLateral] - along * tan(note[SolvedNote::kYaw]),
          note[SolvedNote::kY] + note[SolvedNote::kHeight] - along * tan(note[SolvedNote::kPitch]),
          note[SolvedNote::kZ] - along};
}

/// Distance of an observed point from the image of a line through `point` and `next`, px.
template <typename T>
T AcrossLine(const Eigen::Matrix<T, 2, 1>& point, const Eigen::Matrix<T, 2, 1>& next,
             const Eigen::Vector2d& observed) {
  const Eigen::Matrix<T, 2, 1> direction = (next - point).normalized();
  const Eigen::Matrix<T, 2, 1> off = observed.cast<T>() - point;
  return direction.x() * off.y() - direction.y() * off.x();
}

/// value − mean, whitened by its own standard deviation, for one element of a block.
template <int kSize>
struct PriorError {
  int index;
  double mean;
  double sigma;
  template <typename T>
  bool operator()(const T* block, T* residual) const {
    residual[0] = (block[index] - T(mean)) / T(sigma);
    return true;
  }
};

}  // namespace tinesight
