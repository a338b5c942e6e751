#include "vision/pattern_step.hpp"

#include <gtest/gtest.h>

#include <cmath>

namespace tinesight {
namespace {

// A reading that stands `shift` beside its pattern, to first order, and steps until it does not.
Eigen::Vector2d Walk(const Eigen::Vector2d& shift, bool spark) {
  Eigen::Vector2d walked = Eigen::Vector2d::Zero();
  for (int round = 0; round < 30; ++round) {
    PatternStep step;
    for (int i = 0; i < 200; ++i) {
      const Eigen::Vector2d slope(2.0 * std::sin(0.7 * i), 1.5 * std::cos(1.1 * i));
      const double odd = spark && i % 10 == 0 ? 25.0 : 0.0;
      step.Add(slope.dot(shift - walked) + odd, slope);
    }
    walked += step.StepMm();
  }
  return walked;
}

TEST(PatternStep, ComesToRestWhereThePatternIs) {
  const Eigen::Vector2d shift(0.21, -0.34);
  EXPECT_LT((Walk(shift, false) - shift).norm(), 1e-4);
}

TEST(PatternStep, SparksPullLittle) {
  const Eigen::Vector2d shift(0.05, 0.02);
  EXPECT_LT((Walk(shift, true) - shift).norm(), 0.01);
}

TEST(PatternStep, IsNeverLongerThanASlopeIsGoodFor) {
  PatternStep step;
  step.Add(0.5, {1.0, 0.0});
  step.Add(0.5, {0.0, 1.0});
  EXPECT_LE(step.StepMm().cwiseAbs().maxCoeff(), 0.1);
  EXPECT_GT(step.StepMm().minCoeff(), 0.0);
}

TEST(PatternStep, WithoutAnySlopeStaysInPlace) {
  PatternStep step;
  step.Add(1.0, {0.0, 0.0});
  EXPECT_EQ(step.StepMm(), Eigen::Vector2d(0.0, 0.0));
}

}  // namespace
}  // namespace tinesight
