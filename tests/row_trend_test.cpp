#include "vision/row_trend.hpp"

#include <gtest/gtest.h>

namespace tinesight {
namespace {

TEST(RowTrend, ShrugsOffAQuarterOfMisreadNotes) {
  std::vector<double> x;
  std::vector<double> value;
  for (int i = 0; i < 16; ++i) {
    x.push_back(13.7 * i);
    value.push_back(0.5 + 0.01 * x.back() + (i % 4 == 1 ? 30.0 : 0.0));
  }
  const RowTrend trend = FitRowTrend(x, value);
  ASSERT_TRUE(trend.usable);
  // 12 of 16 lie exactly on the line; the median of slopes is theirs up to the few that mix.
  EXPECT_NEAR(trend.At(100.0), 1.5, 0.05);
  EXPECT_LT(trend.scatter, 0.1);
}

TEST(RowTrend, IsNotUsableOnFewNotes) {
  EXPECT_FALSE(FitRowTrend({0.0, 1.0, 2.0, 3.0}, {0.0, 1.0, 2.0, 3.0}).usable);
}

TEST(OutOfRow, AreOnlyThoseFartherBesideTheLineThanTheyMay) {
  // Blocks as the photos showed them, mm along: a slanted row, a lowered tone bar, another edge.
  std::vector<double> x;
  std::vector<double> along;
  for (int i = 0; i < 9; ++i) {
    x.push_back(13.7 * i);
    along.push_back(-1.0 + 0.02 * x.back() + (i % 2 == 0 ? 0.1 : -0.1));
  }
  along[3] += 3.0;
  along[6] -= 4.0;
  std::vector<bool> expected(x.size(), false);
  expected[6] = true;
  EXPECT_EQ(OutOfRow(x, along, 3.5), expected);
}

TEST(OutOfRow, TrustsNoneOfTooFew) {
  EXPECT_EQ(OutOfRow({0.0, 1.0}, {0.0, 0.0}, 3.5), std::vector<bool>({true, true}));
}

}  // namespace
}  // namespace tinesight
