#include "vision/rod_reading.hpp"

#include <gtest/gtest.h>

#include <cmath>

#include "tests/drawn_rod.hpp"

namespace tinesight {
namespace {

RodReading Read(const DrawnRod& drawn, const RodLine& beside, bool doubtful = false) {
  return ReadRod(drawn.Rows(), DrawnRod::Scale(), DrawnRod::Shown(), drawn.Beside(beside),
                 doubtful);
}

RodLine Settle(const DrawnRod& drawn, const RodLine& beside) { return Read(drawn, beside).line; }

TEST(RodReading, SettlesOnTheRod) {
  const DrawnRod scene;
  for (const RodLine beside :
       {RodLine{0.0, 0.0}, {0.12, 0.12}, {-0.12, -0.12}, {0.15, -0.15}, {-0.15, 0.15}}) {
    EXPECT_LT(scene.Off(Settle(scene, beside)), 0.06) << beside.tip_mm << " " << beside.root_mm;
  }
}

TEST(RodReading, FindsARodThatTheStartMissed) {
  const DrawnRod scene;  // 1.7 mm thick
  for (const RodLine beside :
       {RodLine{0.5, 0.5}, {-0.5, -0.5}, {0.9, 0.9}, {-0.9, -0.9}, {1.3, 1.1}, {-1.1, -1.3}}) {
    const RodReading read = Read(scene, beside, true);
    EXPECT_LT(scene.Off(read.line), 0.06) << beside.tip_mm << " " << beside.root_mm;
    EXPECT_LT(read.SigmaMm(read.last_mm), 0.06) << beside.tip_mm << " " << beside.root_mm;
  }
}

TEST(RodReading, ADoubtedStartOnTheRodIsReadThere) {
  const DrawnRod scene;
  EXPECT_LT(scene.Off(Read(scene, {0.1, -0.1}, true).line), 0.06);
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
  const RodLine line = ReadRod(rows, DrawnRod::Scale(), DrawnRod::Shown(), start, false).line;
  cv::flip(rows.bgr, rows.bgr, 1);
  const RodLine mirrored =
      ReadRod(rows, DrawnRod::Scale(), DrawnRod::Shown(), {-start.tip_mm, -start.root_mm}, false)
          .line;
  EXPECT_NEAR(mirrored.tip_mm, -line.tip_mm, 1e-3);
  EXPECT_NEAR(mirrored.root_mm, -line.root_mm, 1e-3);
}

TEST(RodReading, WhereNothingShowsTheLineStays) {
  RodStretches rows = DrawnRod{}.Rows();
  rows.bgr.setTo(cv::Scalar::all(90.0));
  const RodReading read = ReadRod(rows, DrawnRod::Scale(), DrawnRod::Shown(), {0.2, -0.1}, false);
  EXPECT_NEAR(read.line.tip_mm, 0.2, 0.05);
  EXPECT_NEAR(read.line.root_mm, -0.1, 0.05);
  // No surer than the start usually is, 0.06 mm.
  EXPECT_NEAR(read.SigmaMm(read.first_mm), 0.055, 0.01);
  EXPECT_NEAR(read.SigmaMm(read.last_mm), 0.055, 0.01);
}

TEST(RodReading, SaysHowSureItIs) {
  const DrawnRod plain;
  DrawnRod with_spring;
  with_spring.spring = true;
  for (const DrawnRod& scene : {plain, with_spring}) {
    for (const RodLine beside : {RodLine{0.0, 0.0}, {0.08, 0.08}, {-0.08, 0.08}, {0.08, -0.08}}) {
      const RodReading read = Read(scene, beside);
      for (const double along :
           {read.first_mm, 0.5 * (read.first_mm + read.last_mm), read.last_mm}) {
        const double off =
            read.line.At(along, DrawnRod::kSpanMm) - scene.line.At(along, DrawnRod::kSpanMm);
        EXPECT_LT(std::abs(off), 2.5 * read.SigmaMm(along)) << beside.tip_mm << " at " << along;
      }
    }
  }
  // The middle of a line is better known than its ends, and a spring hides what tells.
  const RodReading read = Read(plain, {0.0, 0.0});
  const double middle_mm = 0.5 * (read.first_mm + read.last_mm);
  EXPECT_LT(read.SigmaMm(middle_mm), 0.8 * read.SigmaMm(read.first_mm));
  EXPECT_LT(read.SigmaMm(middle_mm), 0.04);
  EXPECT_LT(read.SigmaMm(middle_mm), Read(with_spring, {0.0, 0.0}).SigmaMm(middle_mm));
}

TEST(RodReading, TooFewRowsTellNothing) {
  RodStretches rows = DrawnRod{}.Rows();
  rows.bgr = rows.bgr.rowRange(0, 3);
  rows.along_mm.resize(3);
  const RodLine line = ReadRod(rows, DrawnRod::Scale(), DrawnRod::Shown(), {0.2, -0.1}, false).line;
  EXPECT_EQ(line.tip_mm, 0.2);
  EXPECT_EQ(line.root_mm, -0.1);
}

}  // namespace
}  // namespace tinesight
