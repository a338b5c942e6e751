#include "vision/outline_fit.hpp"

#include <gtest/gtest.h>

#include <cmath>

namespace tinesight {
namespace {

constexpr double kSpan_mm = 60.0;
constexpr double kHalfWidth_mm = 4.5;

/// Outline points every 0.5 mm of a band through `line`, without noise.
OutlineFit Band(const RodLine& line, double half_width_mm) {
  OutlineFit fit;
  for (double along_mm = 0.0; along_mm <= kSpan_mm; along_mm += 0.5) {
    for (const double side : {-1.0, 1.0}) {
      const double across_mm = line.At(along_mm, kSpan_mm) + side * half_width_mm;
      fit.points.push_back({along_mm, across_mm, side, 1.0, 0.0});
    }
  }
  fit.line = {line.tip_mm + 0.1, line.root_mm - 0.1};
  fit.half_width_mm = kHalfWidth_mm;
  return fit;
}

TEST(OutlineFit, FindsLineAndWidthAndLeavesOutWhatDoesNotFit) {
  OutlineFit fit = Band({0.4, -0.3}, 4.52);
  for (std::size_t k = 0; k < fit.points.size(); k += 5) fit.points[k].across_mm += 0.8;
  FitOutlinePoints(fit, kSpan_mm, kHalfWidth_mm);
  EXPECT_NEAR(fit.line.tip_mm, 0.4, 1e-3);
  EXPECT_NEAR(fit.line.root_mm, -0.3, 1e-3);
  EXPECT_NEAR(fit.half_width_mm, 4.52, 1e-3);
  EXPECT_EQ(fit.points[0].weight, 0.0);
  EXPECT_GT(fit.points[1].weight, 0.9);
}

TEST(OutlineFit, ATurnThatIsHeldIsTheWeightedMeanOfPriorAndPoints) {
  // So small a turn that the scatter stays at its floor and no point loses weight.
  constexpr double kTurn_mm = 0.02;
  constexpr double kLeastScatter_mm = 0.01;
  OutlineFit fit = Band({0.0, kTurn_mm}, kHalfWidth_mm);
  OutlineFitOptions held;
  held.turn_sigma_mm = 0.002;
  double information = 0.0;
  for (const OutlinePoint& p : fit.points) {
    information += std::pow((p.along_mm / kSpan_mm - 0.5) / kLeastScatter_mm, 2);
  }
  FitOutlinePoints(fit, kSpan_mm, kHalfWidth_mm, held);
  const double prior = 1.0 / (held.turn_sigma_mm * held.turn_sigma_mm);
  const double expected_mm = kTurn_mm * information / (information + prior);
  EXPECT_LT(expected_mm, 0.6 * kTurn_mm);
  EXPECT_NEAR(fit.line.root_mm - fit.line.tip_mm, expected_mm, 0.02 * kTurn_mm);
}

TEST(OutlineFit, ExtentIsTheMeanAndTheDeviationOfWhatCarriesIt) {
  OutlineFit fit;
  for (const double along_mm : {10.0, 20.0, 30.0}) fit.points.push_back({along_mm, 0, 1, 1, 1.0});
  fit.points.push_back({500.0, 0.0, 1.0, 1.0, 0.0});
  const OutlineExtent extent = ExtentOf(fit);
  EXPECT_DOUBLE_EQ(extent.weight, 3.0);
  EXPECT_DOUBLE_EQ(extent.middle_mm, 20.0);
  EXPECT_NEAR(extent.deviation_mm, std::sqrt(200.0 / 3.0), 1e-9);
  EXPECT_EQ(ExtentOf({}).weight, 0.0);
}

TEST(OutlineFit, AnEdgeIsFoundToAFractionOfAColumn) {
  // A gradient whose top lies at column 20.3, by three values of a parabola.
  cv::Mat gradient(1, 41, CV_32F, cv::Scalar(0));
  for (int c = 15; c <= 25; ++c) {
    gradient.at<float>(0, c) = static_cast<float>(50.0 - std::pow(c - 20.3, 2));
  }
  const AcrossScale scale{10.0, 20.0};
  const auto point = FindOutline(gradient, 0, scale, 1.0, 0.1, 0.4);
  ASSERT_TRUE(point);
  EXPECT_NEAR(point->across_mm, 0.03, 1e-6);
  EXPECT_GT(point->strength, 0.99);
  EXPECT_FALSE(FindOutline(gradient, 0, scale, 1.0, 1.5, 0.3));
}

}  // namespace
}  // namespace tinesight
