#include "vision/pattern_step.hpp"

#include <Eigen/Dense>

namespace tinesight {
namespace {

constexpr double kUsualMisfit = 0.8;  // of a pixel, in contrasts
constexpr double kDamping = 0.7;
constexpr double kLongestStepMm = 0.1;

}  // namespace

void PatternStep::Add(double misfit, const Eigen::Vector2d& slope_per_mm, double share) {
  const double u = misfit / kUsualMisfit;
  const double weight = share / ((1.0 + u * u) * (1.0 + u * u));
  normal_ += weight * slope_per_mm * slope_per_mm.transpose();
  right_ += weight * misfit * slope_per_mm;
}

Eigen::Vector2d PatternStep::StepMm() const {
  const Eigen::Matrix2d ridge = 1e-6 * normal_.trace() * Eigen::Matrix2d::Identity();
  const Eigen::Vector2d step = (normal_ + ridge).ldlt().solve(right_);
  if (!step.allFinite()) return Eigen::Vector2d::Zero();
  return kDamping * step.cwiseMax(-kLongestStepMm).cwiseMin(kLongestStepMm);
}

}  // namespace tinesight
