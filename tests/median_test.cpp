#include "calibration/median.hpp"

#include <gtest/gtest.h>

namespace tinesight {
namespace {

TEST(Median, IsTheMiddleOfAnOddNumber) {
  EXPECT_EQ(MedianOf<double>({9.0, 1.0, 4.0}), 4.0);
  EXPECT_EQ(MedianOf<double>({2.5}), 2.5);
}

TEST(Median, IsTheUpperMiddleOfAnEvenNumber) {
  EXPECT_EQ(MedianOf<float>({4.0F, 1.0F, 3.0F, 2.0F}), 3.0F);
}

TEST(Median, LeavesTheOriginalAloneUnlessAskedTo) {
  std::vector<double> values = {5.0, 1.0, 3.0, 2.0, 4.0};
  const std::vector<double> before = values;
  EXPECT_EQ(MedianOf(values), 3.0);
  EXPECT_EQ(values, before);
  EXPECT_EQ(MedianInPlace(values), 3.0);
}

}  // namespace
}  // namespace tinesight
