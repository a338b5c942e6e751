#include "vision/rod_occlusion.hpp"

#include <gtest/gtest.h>

#include "tests/drawn_rod.hpp"

namespace tinesight {
namespace {

RodLine Settle(const DrawnRod& drawn, const RodLine& beside) {
  return SettleByOcclusion(drawn.Rows(), DrawnRod::Scale(), DrawnRod::Shown(), DrawnRod::kRowsPx,
                           drawn.Beside(beside));
}

TEST(RodOcclusion, SettlesOnTheRod) {
  const DrawnRod scene;
  for (const RodLine beside :
       {RodLine{0.0, 0.0}, {0.12, 0.12}, {-0.12, -0.12}, {0.15, -0.15}, {-0.15, 0.15}}) {
    EXPECT_LT(scene.Off(Settle(scene, beside)), 0.04) << beside.tip_mm << " " << beside.root_mm;
  }
}

TEST(RodOcclusion, ComesHomeFromAHighlightThatWanders) {
  DrawnRod scene;
  for (const double wander : {-0.15, 0.15}) {
    scene.wander_mm = wander;
    const RodLine along_the_highlight{-0.5 * wander, 0.5 * wander};
    EXPECT_LT(scene.Off(Settle(scene, along_the_highlight)), 0.05) << wander;
    EXPECT_LT(scene.Off(Settle(scene, {})), 0.03) << wander;
  }
}

TEST(RodOcclusion, ASpringDoesNotDrawIt) {
  DrawnRod scene;
  scene.spring = true;
  EXPECT_LT(scene.Off(Settle(scene, {0.08, -0.08})), 0.03);
}

TEST(RodOcclusion, BeforeAnEvenGroundTheLineStays) {
  DrawnRod scene;
  scene.ground_change = 0.0;
  const RodLine beside{0.1, 0.1};
  EXPECT_NEAR(scene.Off(Settle(scene, beside)), 0.1, 0.03);
}

TEST(RodOcclusion, TooFewRowsTellNothing) {
  const DrawnRod scene;
  RodStretches rows = scene.Rows();
  rows.bgr = rows.bgr.rowRange(0, 3);
  rows.along_mm.resize(3);
  const RodLine line =
      SettleByOcclusion(rows, DrawnRod::Scale(), DrawnRod::Shown(), 10.0, {0.2, -0.1});
  EXPECT_EQ(line.tip_mm, 0.2);
  EXPECT_EQ(line.root_mm, -0.1);
}

}  // namespace
}  // namespace tinesight
