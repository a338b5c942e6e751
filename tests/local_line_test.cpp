#include "vision/local_line.hpp"

#include <gtest/gtest.h>

#include <Eigen/Core>
#include <numeric>

namespace tinesight {
namespace {

const std::vector<double> kPlaces = {0.0, 1.0, 2.0, 4.0, 5.0, 6.0, 7.0};

TEST(LocalLine, SharesSumToOneAndReproduceAStraightLine) {
  const std::vector<double> weights = {1.0, 0.3, 1.0, 2.0, 1.0, 0.1, 1.0};
  for (const double place : kPlaces) {
    const std::vector<double> shares = LocalLineShares(kPlaces, weights, place, 3.0);
    EXPECT_NEAR(std::accumulate(shares.begin(), shares.end(), 0.0), 1.0, 1e-12);
    double value = 0.0;
    for (std::size_t k = 0; k < shares.size(); ++k) value += shares[k] * (2.0 - 0.5 * kPlaces[k]);
    EXPECT_NEAR(value, 2.0 - 0.5 * place, 1e-12);
  }
}

TEST(LocalLine, WhatOneAloneHasStaysWithIt) {
  const std::vector<double> weights(kPlaces.size(), 1.0);
  std::vector<double> values;
  values.reserve(kPlaces.size());
  for (const double place : kPlaces) values.push_back(3.0 + 0.2 * place);
  values[3] += 1.0;
  const std::vector<double> rest = WithoutLocalLine(kPlaces, weights, values, 10.0);
  EXPECT_GT(rest[3], 0.7);
  for (const std::size_t other : {0U, 1U, 2U, 4U, 5U, 6U}) EXPECT_LT(rest[other], 0.1) << other;
}

TEST(LocalLine, WhatOneAloneHasWeighsLittle) {
  std::vector<Eigen::Vector2d> values;
  values.reserve(kPlaces.size());
  for (const double place : kPlaces) values.emplace_back(0.2 * place, 1.0 - 0.1 * place);
  values[3] += Eigen::Vector2d(0.6, -0.8);
  const std::vector<double> ones(kPlaces.size(), 1.0);
  const std::vector<double> weights = WeightsInLine(kPlaces, ones, values, 10.0, 0.1);
  EXPECT_LT(weights[3], 0.05);
  for (const std::size_t other : {0U, 1U, 2U, 4U, 5U, 6U}) EXPECT_GT(weights[other], 0.9) << other;
}

TEST(LocalLine, OnePlaceIsItsOwnMean) {
  EXPECT_EQ(LocalLineShares({4.0}, {2.0}, 4.0, 3.0), std::vector<double>{1.0});
}

}  // namespace
}  // namespace tinesight
