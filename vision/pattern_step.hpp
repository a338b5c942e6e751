#pragma once

#include <Eigen/Core>

namespace tinesight {

/// Gathers, value by value, the two-parameter shift that brings a reading of the picture nearest to
/// the pattern of its neighbors: weighted Gauss–Newton with a Cauchy-like weight, so that what the
/// one shows and the others don't (a tine before its pickup, a spark) pulls little.
class PatternStep {
 public:
  /// `misfit`: pattern minus reading, in contrasts; `slope_per_mm`: how the reading changes with
  /// each parameter; `share`: how much the value counts, 0 to 1.
  void Add(double misfit, const Eigen::Vector2d& slope_per_mm, double share = 1.0);

  /// The step, mm: damped, since the neighbors move too, and no longer than a slope is good for.
  [[nodiscard]] Eigen::Vector2d StepMm() const;

 private:
  Eigen::Matrix2d normal_ = Eigen::Matrix2d::Zero();
  Eigen::Vector2d right_ = Eigen::Vector2d::Zero();
};

}  // namespace tinesight
