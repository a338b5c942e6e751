#include "vision/tine_detection.hpp"

#include <gtest/gtest.h>

#include <cmath>

#include "tests/detector_scene.hpp"

namespace tinesight {
namespace {

struct Rod {
  Eigen::Vector3d at_pickup_mm;  // where the axis passes the pickup's face, z = 0
  Eigen::Vector3d direction;     // z = 1
};

constexpr double kSpringRadii = 1.05;
constexpr double kSpringAside = 0.12;

/// A rod of 1.9 mm whose strongest edges are a narrow highlight's beside its middle; its outlines
/// stand out from the ground, whose brightness changes along and across it, by a quarter of that.
/// With a spring, a little wider coil sits on it aside, from 4 to 16 mm before the pickup, bright
/// on its right. Before a flange the ground is even.
PhotoView RodView(const Rod& rod, double highlight, bool spring = false, bool flange = false) {
  PhotoView view = testing::DetectorView(40.0);
  const Eigen::Vector3d eye = view.CameraCenterMm();
  const Eigen::Vector3d axis = rod.direction.normalized();
  testing::Render(view, 1.0, 3.0, [&](const Eigen::Vector3d& ray) {
    // Distance of the ray from the axis, signed to the right, in radii.
    const Eigen::Vector3d normal = ray.cross(axis).normalized();
    const double t = (rod.at_pickup_mm - eye).dot(normal) / 0.95;
    if (spring) {
      const double before_mm = -(ray * ((rod.at_pickup_mm.y() - eye.y()) / ray.y()) + eye).z();
      const double s = (t - kSpringAside) / kSpringRadii;
      if (before_mm > 4.0 && before_mm < 16.0 && std::abs(s) < 1.0) return 60.0 + 90.0 * (s + 1.0);
    }
    if (std::abs(t) < 1.0) {
      const double glare = std::exp(-0.5 * std::pow((t - highlight) / 0.15, 2.0));
      return 75.0 + 20.0 * (1.0 - t * t) + 110.0 * glare;
    }
    if (flange) return 60.0;
    const Eigen::Vector3d p = eye + ray * ((9.0 - eye.y()) / ray.y());
    return 70.0 + 25.0 * std::sin(0.45 * p.z()) + 12.0 * std::sin(0.9 * p.x() + 1.0);
  });
  return view;
}

TinePrediction Prediction() {
  TinePrediction p;
  p.pickup_mm = {0.0, 0.0, 0.0};
  p.height_mm = 1.0;
  p.gap_mm = 1.4;
  p.length_mm = 60.0;
  return p;
}

/// Distance of an observed axis point from the true axis' image, px.
double OffAxisPx(const PhotoView& view, const Rod& rod, const AxisPoint& point) {
  const Eigen::Vector2d here = view.Project(rod.at_pickup_mm - point.along_mm * rod.direction);
  const Eigen::Vector2d next =
      view.Project(rod.at_pickup_mm - (point.along_mm - 1.0) * rod.direction);
  const Eigen::Vector2d d = (next - here).normalized();
  const Eigen::Vector2d off = point.position_px - here;
  return d.x() * off.y() - d.y() * off.x();
}

// Glare must not move the axis: the highlight goes from one side of the rod to the other.
TEST(TineScan, FollowsTheRodAndNotItsHighlight) {
  const Rod rod{{0.6, 1.2, 0.0}, {0.008, -0.004, 1.0}};
  for (const double highlight : {-0.5, 0.0, 0.5}) {
    const PhotoView view = RodView(rod, highlight);
    TineScan scan(view, Prediction());
    ASSERT_TRUE(scan.Usable());
    ASSERT_TRUE(scan.FitOutlines()) << highlight;
    const auto found = scan.Finish();
    ASSERT_TRUE(found.has_value()) << highlight;
    ASSERT_EQ(found->axis.size(), 2U);
    for (const AxisPoint& point : found->axis) {
      // 0.5 px is 0.055 mm; a fit to the highlight would be off by 0.475 mm, 4 px.
      EXPECT_LT(std::abs(OffAxisPx(view, rod, point)), 0.5) << highlight;
    }
    EXPECT_NEAR(found->width_ratio, 1.0, 0.05);
  }
}

// Crooked by more than three degrees: what the whole job is about must not fall off the
// edge of where is looked.
TEST(TineScan, FindsATineThatIsFarOff) {
  for (const double far_mm : {-3.5, 3.5}) {
    const Rod rod{{far_mm, 1.2, 0.0}, {far_mm / 61.4, 0.0, 1.0}};
    const PhotoView view = RodView(rod, 0.3);
    TineScan scan(view, Prediction());
    ASSERT_TRUE(scan.Usable());
    ASSERT_TRUE(scan.FitOutlines()) << far_mm;
    const auto found = scan.Finish();
    ASSERT_TRUE(found.has_value()) << far_mm;
    for (const AxisPoint& point : found->axis) {
      EXPECT_LT(std::abs(OffAxisPx(view, rod, point)), 0.5) << far_mm;
    }
  }
}

// What is told of a tine's side says where its tone bar is looked for.
TEST(TineScan, OffsetsArePositiveTowardThePicturesRight) {
  const Rod rod{{0.7, 1.0, 0.0}, {0.01, 0.0, 1.0}};
  const PhotoView view = RodView(rod, 0.0);
  TineScan scan(view, Prediction());
  ASSERT_TRUE(scan.Usable());
  ASSERT_TRUE(scan.FitOutlines());
  const auto found = scan.Finish();
  ASSERT_TRUE(found.has_value());
  const TinePrediction p = Prediction();
  EXPECT_NEAR(found->offset_tip_mm, 0.7, 0.1);
  EXPECT_NEAR(found->offset_root_mm, 0.7 - 0.01 * (p.gap_mm + p.length_mm), 0.2);
}

TEST(TineScan, LooksOnlyWhereEnoughOfTheTineIs) {
  const PhotoView view = RodView({{0.0, 1.0, 0.0}, {0.0, 0.0, 1.0}}, 0.0);
  TinePrediction p = Prediction();
  p.length_mm = 1.0;
  EXPECT_FALSE(TineScan(view, p).Usable());
}

TEST(TineScan, ANeighborsPatternKeepsARightLine) {
  const Rod rod{{0.3, 1.0, 0.0}, {0.004, 0.0, 1.0}};
  const PhotoView view = RodView(rod, 0.4);
  TineScan scan(view, Prediction());
  ASSERT_TRUE(scan.Usable());
  scan.LookAgain(scan.Profile());
  ASSERT_TRUE(scan.FitOutlines());
  const auto found = scan.Finish();
  ASSERT_TRUE(found.has_value());
  EXPECT_GT(found->likeness, 0.9);
  for (const AxisPoint& point : found->axis) {
    EXPECT_LT(std::abs(OffAxisPx(view, rod, point)), 0.5);
  }
}

// A spring's sides look like a rod's, but stand wider and, as it sits, aside: knowing what its
// neighbors look like, the line goes by what shows of the rod.
TEST(TineScan, ATuningSpringDoesNotPullTheLine) {
  const Rod rod{{0.4, 1.2, 0.0}, {0.004, -0.004, 1.0}};
  const PhotoView clean = RodView(rod, 0.3);
  const PhotoView view = RodView(rod, 0.3, true);
  const TineScan neighbor(clean, Prediction());
  ASSERT_TRUE(neighbor.Usable());
  TineScan scan(view, Prediction());
  ASSERT_TRUE(scan.Usable());
  scan.LookAgain(neighbor.Profile());
  ASSERT_TRUE(scan.FitOutlines());
  const auto found = scan.Finish();
  ASSERT_TRUE(found.has_value());
  for (const AxisPoint& point : found->axis) {
    // Were the spring's 12 mm to count like the rod, the nearer point would lie among them.
    EXPECT_GT(point.along_mm, 16.0);
    EXPECT_LT(std::abs(OffAxisPx(view, rod, point)), 0.5);
  }
}

// A short tine under its spring in front of a flange shows little that is steady, the flange beside
// it much: but no tine leaves its block at such an angle.
TEST(TineScan, AShortTineIsNotLookedForAskew) {
  const Rod rod{{0.0, 1.0, 0.0}, {0.0, 0.0, 1.0}};
  TinePrediction p = Prediction();
  p.length_mm = 28.0;
  for (const double highlight : {-0.6, -0.3, 0.0, 0.3, 0.6}) {
    const PhotoView view = RodView(rod, highlight, true, true);
    TineScan scan(view, p);
    ASSERT_TRUE(scan.Usable());
    ASSERT_TRUE(scan.FitOutlines()) << highlight;
    const auto found = scan.Finish();
    ASSERT_TRUE(found.has_value()) << highlight;
    // Half a degree; the flange's side would be several.
    EXPECT_LT(std::abs(found->offset_tip_mm - found->offset_root_mm), 0.25) << highlight;
  }
}

// Where other photos show the tine there may be nothing but ground here, or what was found already.
TEST(TineScan, StaysWhereOtherPhotosShowNothingBetter) {
  const PhotoView view = RodView({{0.0, 1.0, 0.0}, {0.0, 0.0, 1.0}}, 0.3);
  const auto found_when_told = [&](const std::optional<TineLine>& elsewhere) {
    TinePrediction p = Prediction();
    p.seen_elsewhere = elsewhere;
    TineScan scan(view, p);
    EXPECT_TRUE(scan.Usable());
    const RodProfile pattern = scan.Profile();
    scan.LookAgain(pattern);
    scan.HearOtherPhotos(pattern);
    return scan.RootOffsetMm();
  };
  const double alone = found_when_told(std::nullopt);
  EXPECT_NEAR(alone, 0.0, 0.2);
  EXPECT_EQ(found_when_told(TineLine{{-3.0, 1.0, 0.0}, Eigen::Vector3d::UnitZ()}), alone);
  EXPECT_EQ(found_when_told(TineLine{{0.1, 1.0, 0.0}, Eigen::Vector3d::UnitZ()}), alone);
}

TEST(TineScan, LeavesGroundForTheRodThatOtherPhotosShow) {
  const Rod rod{{1.9, 1.0, 0.0}, {0.0, 0.0, 1.0}};
  const PhotoView view = RodView(rod, 0.3);
  TinePrediction beside = Prediction();
  beside.search_tip_mm = 1.2;  // does not reach the rod
  beside.search_root_mm = 0.6;
  beside.root_sigma_mm = 2.0;
  beside.seen_elsewhere = TineLine{rod.at_pickup_mm, rod.direction};
  TinePrediction right = Prediction();
  right.pickup_mm.x() = 1.9;
  const TineScan neighbor(view, right);
  ASSERT_TRUE(neighbor.Usable());
  TineScan scan(view, beside);
  ASSERT_TRUE(scan.Usable());
  ASSERT_LT(std::abs(scan.RootOffsetMm()), 1.3);
  scan.HearOtherPhotos(neighbor.Profile());
  EXPECT_NEAR(scan.RootOffsetMm(), 1.9, 0.15);
  EXPECT_GT(scan.Likeness(), 0.9);
}

// Beside the rod there is only the ground, whatever pattern one goes by.
TEST(TineScan, WhatIsNoTineDoesNotLookLikeOne) {
  const PhotoView view = RodView({{0.0, 1.0, 0.0}, {0.0, 0.0, 1.0}}, 0.0);
  const TineScan tine(view, Prediction());
  ASSERT_TRUE(tine.Usable());
  TinePrediction beside = Prediction();
  beside.pickup_mm.x() += 13.7;
  TineScan ground(view, beside);
  ASSERT_TRUE(ground.Usable());
  ground.LookEverywhere(tine.Profile());
  EXPECT_LT(ground.Likeness(), 0.5);
}

TEST(TineScan, StaysWhereNothingLooksMoreLikeItsNeighbors) {
  const Rod rod{{0.3, 1.0, 0.0}, {0.01, 0.0, 1.0}};
  const PhotoView view = RodView(rod, 0.2);
  TineScan tine(view, Prediction());
  ASSERT_TRUE(tine.Usable());
  const RodProfile pattern = tine.Profile();
  tine.LookAgain(pattern);
  const double root_mm = tine.RootOffsetMm();
  const double likeness = tine.Likeness();
  tine.LookEverywhere(pattern);
  EXPECT_EQ(tine.RootOffsetMm(), root_mm);
  EXPECT_EQ(tine.Likeness(), likeness);
}

}  // namespace
}  // namespace tinesight
