#include "vision/neighbor_pattern.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <numbers>
#include <numeric>

namespace tinesight {
namespace {

/// One wave across the rod, its highlight `turned_rad` to the side; mean 0 and norm 1.
RodProfile Highlight(double turned_rad) {
  constexpr int kColumns = 60;
  RodProfile profile;
  for (int i = 0; i < kColumns; ++i) {
    const double at = 2.0 * std::numbers::pi * i / kColumns;
    profile.push_back(static_cast<float>(std::sqrt(2.0 / kColumns) * std::cos(at - turned_rad)));
  }
  return profile;
}

double Correlation(const RodProfile& a, const RodProfile& b) {
  return static_cast<double>(std::inner_product(a.begin(), a.end(), b.begin(), 0.0F));
}

TEST(NeighborPattern, IsWhatTheNeighborsLookLike) {
  std::vector<RodProfile> row;
  row.reserve(7);
  for (int i = 0; i < 7; ++i) row.push_back(Highlight(0.05 * i));
  EXPECT_GT(Correlation(NeighborPattern(row, 3), Highlight(0.15)), 0.999);
}

// The nearest neighbor was taken for something else: by the plain mean, with its weight of 1 in
// 3.67, the pattern would lie 0.36 rad beside.
TEST(NeighborPattern, AMisreadNeighborCountsLittle) {
  std::vector<RodProfile> row(7, Highlight(0.0));
  row[4] = Highlight(0.5 * std::numbers::pi);
  const double beside_rad = std::acos(Correlation(NeighborPattern(row, 3), Highlight(0.0)));
  EXPECT_LT(beside_rad, 0.05);
}

TEST(NeighborPattern, IsEmptyWithoutNeighbors) {
  const std::vector<RodProfile> row = {{}, Highlight(0.0), {}};
  EXPECT_TRUE(NeighborPattern(row, 1).empty());
}

}  // namespace
}  // namespace tinesight
