// Figures from what was placed by hand, against a scene whose truth is known.
#include "alignment/hand_solve.hpp"

#include <gtest/gtest.h>

#include <random>

#include "tests/sample_visit.hpp"

namespace tinesight {
namespace {

using Eigen::Vector2d;
using Eigen::Vector3d;

// A camera `x_mm` to the side that looks at the pickup of F2.
PhotoMeasurement PhotoFrom(double x_mm) {
  PhotoMeasurement photo = SamplePhoto();
  photo.camera.distortion = {};
  const Eigen::Matrix3d turn = (Eigen::AngleAxisd(0.3, Vector3d::UnitX()) *
                                Eigen::AngleAxisd(-std::atan2(x_mm, 420.0), Vector3d::UnitY()))
                                   .toRotationMatrix();
  photo.camera_from_harp.linear() = turn;
  photo.camera_from_harp.translation() = -turn * Vector3d(13.7, 0, 0) + Vector3d(0, 0, 420.0);
  return photo;
}

Vector2d Seen(const PhotoMeasurement& photo, const Vector3d& point_harp_mm) {
  return photo.camera.Project(photo.camera_from_harp * point_harp_mm);
}

HandPlacement Placed(const PhotoMeasurement& photo, const NoteMeasurement& truth) {
  return {photo.camera,
          photo.camera_from_harp,
          {Seen(photo, truth.root_harp_mm), Seen(photo, truth.tip_harp_mm)},
          Seen(photo, truth.pickup_harp_mm)};
}

// F2 as it is, and as it was misread: 1.2 mm to one side.
struct Scene {
  NoteMeasurement truth = SampleNote(41, "F2", 13.7, 0.9, 0.05, Verdict::kOutOfTolerance);
  NoteMeasurement misread = SampleNote(41, "F2", 13.7, -0.3, 0.05, Verdict::kInTolerance);
  InstrumentProfile profile = SampleProfile();
};

TEST(SolveByHand, FindsTheTruthFromTwoPhotos) {
  const Scene scene;
  HandPlacement placements[] = {Placed(PhotoFrom(-60), scene.truth),
                                Placed(PhotoFrom(60), scene.truth)};
  // Placed exactly and believed to a hundredth of a pixel, the priors have no say: their pull goes
  // with the square of sigma, 0.03 mm at 1 px and so 3e-6 mm here.
  for (HandPlacement& placement : placements) placement.sigma_px = 0.01;
  const auto exact = SolveByHand(scene.misread, scene.profile, placements);
  ASSERT_TRUE(exact) << exact.error().message;
  EXPECT_NEAR(exact->lateral_mm->value, 0.9, 1e-4);
  EXPECT_NEAR(exact->height_mm->value, 1.21, 1e-4);
  EXPECT_LE((exact->pickup_harp_mm - scene.truth.pickup_harp_mm).norm(), 1e-2);
}

TEST(SolveByHand, AHandsPixelShowsInTheUncertaintyAndTheVerdict) {
  const Scene scene;
  const HandPlacement placements[] = {Placed(PhotoFrom(-60), scene.truth),
                                      Placed(PhotoFrom(60), scene.truth)};
  const auto note = SolveByHand(scene.misread, scene.profile, placements);
  ASSERT_TRUE(note) << note.error().message;
  EXPECT_LE(std::abs(note->lateral_mm->value - 0.9), note->lateral_mm->expanded_u);
  EXPECT_EQ(note->lateral_verdict, Verdict::kOutOfTolerance);
  EXPECT_FALSE(note->advice.empty());
  // A tenth of a millimeter is about 0.7 px here; a pixel of the hand must show in U.
  EXPECT_GE(note->lateral_mm->expanded_u, 0.1);
  EXPECT_LE(note->lateral_mm->expanded_u, 0.6);
}

TEST(SolveByHand, IsNeverSurerThanTheMeasurementWas) {
  Scene scene;
  scene.misread.lateral_mm->expanded_u = 2.5;
  const HandPlacement placements[] = {Placed(PhotoFrom(-60), scene.truth),
                                      Placed(PhotoFrom(60), scene.truth)};
  const auto note = SolveByHand(scene.misread, scene.profile, placements);
  ASSERT_TRUE(note);
  EXPECT_EQ(note->lateral_mm->expanded_u, 2.5);
  EXPECT_EQ(note->lateral_verdict, Verdict::kUncertain);
}

TEST(SolveByHand, OnePhotoAloneIsLessSureOfTheHeight) {
  const Scene scene;
  const HandPlacement one[] = {Placed(PhotoFrom(0), scene.truth)};
  const HandPlacement two[] = {Placed(PhotoFrom(-60), scene.truth),
                               Placed(PhotoFrom(60), scene.truth)};
  const auto from_one = SolveByHand(scene.misread, scene.profile, one);
  const auto from_two = SolveByHand(scene.misread, scene.profile, two);
  ASSERT_TRUE(from_one && from_two);
  EXPECT_GT(from_one->height_mm->expanded_u, from_two->height_mm->expanded_u);
  EXPECT_LE(std::abs(from_one->lateral_mm->value - 0.9), from_one->lateral_mm->expanded_u);
}

// Scattered as a hand scatters, the error must stay within the stated U about as often as it says.
TEST(SolveByHand, StatedUncertaintyCoversAHandsScatter) {
  const Scene scene;
  std::mt19937 random(7);
  std::normal_distribution<double> distribution;
  const auto normal = [&] { return distribution(random); };
  int within = 0;
  constexpr int kTrials = 200;
  for (int trial = 0; trial < kTrials; ++trial) {
    HandPlacement placements[] = {Placed(PhotoFrom(-60), scene.truth),
                                  Placed(PhotoFrom(60), scene.truth)};
    for (HandPlacement& placement : placements) {
      for (Vector2d& p : placement.axis_px) p += Vector2d(normal(), normal());
      *placement.pickup_px += Vector2d(normal(), normal());
    }
    const auto note = SolveByHand(scene.misread, scene.profile, placements);
    ASSERT_TRUE(note);
    within += std::abs(note->lateral_mm->value - 0.9) <= note->lateral_mm->expanded_u ? 1 : 0;
  }
  // 95.4 % of 200 are 191; four sigma of that count are 12.
  EXPECT_GE(within, 179);
}

TEST(SolveByHand, RefusesWhatItCannotSolve) {
  const Scene scene;
  EXPECT_FALSE(SolveByHand(scene.misread, scene.profile, {}));
  NoteMeasurement unmeasured;
  unmeasured.midi = 41;
  const HandPlacement placements[] = {Placed(PhotoFrom(0), scene.truth)};
  EXPECT_FALSE(SolveByHand(unmeasured, scene.profile, placements));
}

}  // namespace
}  // namespace tinesight
