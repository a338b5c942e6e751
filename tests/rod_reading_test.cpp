#include "vision/rod_reading.hpp"

#include <gtest/gtest.h>

#include "tests/drawn_rod.hpp"

namespace tinesight {
namespace {

RodLine Settle(const DrawnRod& drawn, const RodLine& beside) {
  return SettleByReading(drawn.Rows(), DrawnRod::Scale(), DrawnRod::Shown(), drawn.Beside(beside));
}

TEST(RodReading, SettlesOnTheRod) {
  const DrawnRod scene;
  for (const RodLine beside :
       {RodLine{0.0, 0.0}, {0.12, 0.12}, {-0.12, -0.12}, {0.15, -0.15}, {-0.15, 0.15}}) {
    EXPECT_LT(scene.Off(Settle(scene, beside)), 0.06) << beside.tip_mm << " " << beside.root_mm;
  }
}

TEST(RodReading, ComesHomeFromAHighlightThatWanders) {
  DrawnRod scene;
  for (const double wander : {-0.15, 0.15}) {
    scene.wander_mm = wander;
    EXPECT_LT(scene.Off(Settle(scene, {-0.5 * wander, 0.5 * wander})), 0.06) << wander;
  }
}

TEST(RodReading, BeforeAnEvenGroundOutlinesAreEnough) {
  DrawnRod scene;
  scene.ground_change = 0.0;
  EXPECT_LT(scene.Off(Settle(scene, {0.1, 0.1})), 0.06);
}

TEST(RodReading, AMirroredPictureIsReadMirrored) {
  const DrawnRod scene;
  RodStretches rows = scene.Rows();
  const RodLine start = scene.Beside({0.1, 0.05});
  const RodLine line = SettleByReading(rows, DrawnRod::Scale(), DrawnRod::Shown(), start);
  cv::flip(rows.bgr, rows.bgr, 1);
  const RodLine mirrored =
      SettleByReading(rows, DrawnRod::Scale(), DrawnRod::Shown(), {-start.tip_mm, -start.root_mm});
  EXPECT_NEAR(mirrored.tip_mm, -line.tip_mm, 1e-3);
  EXPECT_NEAR(mirrored.root_mm, -line.root_mm, 1e-3);
}

TEST(RodReading, WhereNothingShowsTheLineStays) {
  RodStretches rows = DrawnRod{}.Rows();
  rows.bgr.setTo(cv::Scalar::all(90.0));
  const RodLine line = SettleByReading(rows, DrawnRod::Scale(), DrawnRod::Shown(), {0.2, -0.1});
  EXPECT_NEAR(line.tip_mm, 0.2, 0.05);
  EXPECT_NEAR(line.root_mm, -0.1, 0.05);
}

TEST(RodReading, TooFewRowsTellNothing) {
  RodStretches rows = DrawnRod{}.Rows();
  rows.bgr = rows.bgr.rowRange(0, 3);
  rows.along_mm.resize(3);
  const RodLine line = SettleByReading(rows, DrawnRod::Scale(), DrawnRod::Shown(), {0.2, -0.1});
  EXPECT_EQ(line.tip_mm, 0.2);
  EXPECT_EQ(line.root_mm, -0.1);
}

}  // namespace
}  // namespace tinesight
