#include "vision/rod_occlusion.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <opencv2/imgproc.hpp>
#include <random>

namespace tinesight {
namespace {

constexpr int kRows = 72;
constexpr int kColumns = 121;
constexpr double kStepMm = 0.05;
constexpr double kRadiusMm = 0.85;
constexpr double kSpanMm = 50.0;
const AcrossScale kScale{1.0 / kStepMm, 60.0};

struct Scene {
  RodLine line{0.1, -0.05};
  double ground_change = 25.0;  // gray levels, along the rod
  double wander_mm = 0.0;       // of the highlight, from the first row to the last
  bool spring = false;          // a coil from row 20 to 32, aside
};

/// A rod shaded on its right as deep as the ground is on the whole, with a highlight on its left,
/// before a ground that changes along it, on the two sides in its own ways.
RodStretches Draw(const Scene& scene) {
  constexpr int kFine = 4;
  RodStretches rows;
  rows.length_mm = 0.6;
  cv::Mat fine(kRows, kColumns * kFine, CV_32FC3);
  for (int r = 0; r < kRows; ++r) {
    const double along = 3.0 + rows.length_mm * r;
    rows.along_mm.push_back(along);
    const double middle = scene.line.At(along, kSpanMm);
    const double highlight = -0.35 + scene.wander_mm * (static_cast<double>(r) / kRows - 0.5);
    for (int c = 0; c < fine.cols; ++c) {
      const double x = kScale.Mm((c + 0.5) / kFine - 0.5) - middle;
      double gray = 70.0 + scene.ground_change * std::sin(0.31 * r + (x < 0.0 ? 0.0 : 2.0)) +
                    0.4 * scene.ground_change * std::sin(0.83 * r + 0.5 * x);
      if (std::abs(x) < kRadiusMm) {
        gray = 100.0 - 35.0 * x + 60.0 * std::exp(-std::pow((x - highlight) / 0.2, 2.0));
      }
      if (scene.spring && r >= 20 && r < 32 && std::abs(x - 0.3) < 1.1) gray = 180.0 + 50.0 * x;
      fine.at<cv::Vec3f>(r, c) = cv::Vec3f::all(static_cast<float>(gray));
    }
  }
  cv::GaussianBlur(fine, fine, {0, 1}, 0.12 / kStepMm * kFine, 0.1);
  cv::resize(fine, rows.bgr, {kColumns, kRows}, 0.0, 0.0, cv::INTER_AREA);
  std::mt19937 random(3);
  std::normal_distribution<float> noise(0.0F, 2.0F);
  for (cv::Vec3f& v : cv::Mat_<cv::Vec3f>(rows.bgr)) v += cv::Vec3f::all(noise(random));
  return rows;
}

/// How far a line is off the scene's where the rod shows, at worst.
double Off(const RodLine& line, const Scene& scene) {
  double off = 0.0;
  for (const double along : {3.0, 45.0}) {
    off = std::max(off, std::abs(line.At(along, kSpanMm) - scene.line.At(along, kSpanMm)));
  }
  return off;
}

RodLine Settle(const Scene& scene, const RodLine& beside) {
  const OccludingRod rod{2.0 * kRadiusMm, kSpanMm, 150.0};
  const RodLine start{scene.line.tip_mm + beside.tip_mm, scene.line.root_mm + beside.root_mm};
  return SettleByOcclusion(Draw(scene), kScale, rod, start);
}

TEST(RodOcclusion, SettlesOnTheRod) {
  const Scene scene;
  for (const RodLine beside :
       {RodLine{0.0, 0.0}, {0.12, 0.12}, {-0.12, -0.12}, {0.15, -0.15}, {-0.15, 0.15}}) {
    EXPECT_LT(Off(Settle(scene, beside), scene), 0.04) << beside.tip_mm << " " << beside.root_mm;
  }
}

TEST(RodOcclusion, ComesHomeFromAHighlightThatWanders) {
  Scene scene;
  for (const double wander : {-0.15, 0.15}) {
    scene.wander_mm = wander;
    const RodLine along_the_highlight{-0.5 * wander, 0.5 * wander};
    EXPECT_LT(Off(Settle(scene, along_the_highlight), scene), 0.05) << wander;
    EXPECT_LT(Off(Settle(scene, {}), scene), 0.03) << wander;
  }
}

TEST(RodOcclusion, ASpringDoesNotDrawIt) {
  Scene scene;
  scene.spring = true;
  EXPECT_LT(Off(Settle(scene, {0.08, -0.08}), scene), 0.03);
}

TEST(RodOcclusion, BeforeAnEvenGroundTheLineStays) {
  Scene scene;
  scene.ground_change = 0.0;
  const RodLine beside{0.1, 0.1};
  EXPECT_NEAR(Off(Settle(scene, beside), scene), 0.1, 0.03);
}

TEST(RodOcclusion, TooFewRowsTellNothing) {
  const Scene scene;
  RodStretches rows = Draw(scene);
  rows.bgr = rows.bgr.rowRange(0, 3);
  rows.along_mm.resize(3);
  const RodLine line =
      SettleByOcclusion(rows, kScale, {2.0 * kRadiusMm, kSpanMm, 10.0}, {0.2, -0.1});
  EXPECT_EQ(line.tip_mm, 0.2);
  EXPECT_EQ(line.root_mm, -0.1);
}

}  // namespace
}  // namespace tinesight
