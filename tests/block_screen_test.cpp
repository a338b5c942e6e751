#include "vision/block_screen.hpp"

#include <gtest/gtest.h>

namespace tinesight {
namespace {

constexpr double kSpacing_mm = 13.7;
constexpr double kFace_mm = 7.0;  // of the bars, below the tines

/// Two blocks beside each other, looked at from behind the mount and above: for every millimetre
/// toward the camera a line of sight rises by 1/3 mm.
BlockScreen TwoBlocks(double camera_x_mm) {
  return {{camera_x_mm, kFace_mm - 100.0, -300.0}, {{0.0, 0.0, 0.0}, {kSpacing_mm, 0.0, 0.0}}};
}

TEST(BlockScreen, HidesWhatStandsBehindABlock) {
  const BlockScreen blocks = TwoBlocks(0.0);
  // The block is 11.8 mm high over the face: it hides some 35 mm of the bar ahead of the root.
  for (const double ahead_mm : {1.0, 15.0, 30.0}) {
    EXPECT_TRUE(blocks.Hides({0.0, kFace_mm, ahead_mm})) << ahead_mm;
  }
  EXPECT_FALSE(blocks.Hides({0.0, kFace_mm, 45.0}));
}

TEST(BlockScreen, LeavesTheBarOpenBehindTheBlockAndThePlaceBetweenTwo) {
  const BlockScreen blocks = TwoBlocks(0.0);
  for (const double ahead_mm : {-40.0, -25.0, -14.0}) {
    EXPECT_FALSE(blocks.Hides({4.5, kFace_mm, ahead_mm})) << ahead_mm;
  }
  EXPECT_FALSE(blocks.Hides({0.5 * kSpacing_mm, kFace_mm, 0.0}));
}

TEST(BlockScreen, ANeighborHidesWhatIsSeenPastItsSide) {
  // From far on the treble side the second block stands before the first one's bar; from nearer the
  // line of sight passes between the two.
  const Eigen::Vector3d place(4.0, kFace_mm, 20.0);
  EXPECT_TRUE(TwoBlocks(120.0).Hides(place));
  EXPECT_FALSE(TwoBlocks(25.0).Hides(place));
}

TEST(BlockScreen, HidesNothingOfWhatALowCameraSeesBelow) {
  // A point higher than every block, and one that the camera looks up to.
  const BlockScreen blocks = TwoBlocks(0.0);
  EXPECT_FALSE(blocks.Hides({0.0, -10.0, 15.0}));
  EXPECT_FALSE(BlockScreen({0.0, 60.0, -300.0}, {{0.0, 0.0, 0.0}}).Hides({0.0, 30.0, 15.0}));
}

}  // namespace
}  // namespace tinesight
