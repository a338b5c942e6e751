#include "record/label_layout.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <random>

namespace tinesight {
namespace {

TEST(PlaceLabels, StandsOverTheTargetWhereThereIsRoom) {
  const auto places = PlaceLabels({200.0, 600.0}, {0.0, 1000.0, 100.0, 10.0});
  ASSERT_EQ(places.size(), 2U);
  EXPECT_EQ(places[0].center_x_px, 200.0);
  EXPECT_EQ(places[1].center_x_px, 600.0);
  EXPECT_EQ(places[0].row, 0);
  EXPECT_EQ(places[1].row, 0);
}

TEST(PlaceLabels, NeverLetsLabelsOrLeadersCollideNorLeaveTheBand) {
  std::mt19937 random(3);
  for (int round = 0; round < 500; ++round) {
    LabelBand band{10.0, 3990.0, 210.0, 16.0};
    std::vector<double> targets(1 + random() % 40);
    const double crowd = 100.0 + static_cast<double>(random() % 3900);
    for (double& t : targets) t = std::fmod(static_cast<double>(random()), crowd);
    std::sort(targets.begin(), targets.end());
    const double shrink = LabelShrink(targets.size(), band);
    band.label_width_px *= shrink;
    band.gap_px *= shrink;
    const auto places = PlaceLabels(targets, band);
    ASSERT_EQ(places.size(), targets.size());
    const double half = 0.5 * band.label_width_px;
    const double slack = 1e-9 * band.right_px;
    for (std::size_t i = 0; i < places.size(); ++i) {
      EXPECT_GE(places[i].center_x_px - half, band.left_px - slack);
      EXPECT_LE(places[i].center_x_px + half, band.right_px + slack);
      for (std::size_t j = 0; j < i; ++j) {
        const double apart = places[i].center_x_px - places[j].center_x_px;
        const double needed = places[i].row == places[j].row ? band.label_width_px + band.gap_px
                                                             : half + 0.5 * band.gap_px;
        EXPECT_GE(apart, needed - slack) << "labels " << j << " and " << i;
      }
    }
  }
}

}  // namespace
}  // namespace tinesight
