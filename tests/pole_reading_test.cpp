#include "vision/pole_reading.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <utility>

#include "tests/detector_scene.hpp"

namespace tinesight {
namespace {

/// A pole tip's face, 3 mm across, at z = 0, its flank down to a dark flange at z = 2.2; round, or
/// a chisel's.
PhotoView PoleView(bool chisel, const Eigen::Vector2d& middle_mm) {
  PhotoView view = testing::DetectorView(20.0);
  const Eigen::Vector3d eye = view.CameraCenterMm();
  testing::Render(view, 1.2, 2.0, [&](const Eigen::Vector3d& ray) {
    const auto off = [&](double z) {
      const Eigen::Vector3d p = eye + ray * ((z - eye.z()) / ray.z());
      return Eigen::Vector2d(p.head<2>() - middle_mm);
    };
    const auto within = [&](double z) {
      const Eigen::Vector2d d = off(z);
      return chisel ? std::abs(d.x()) < 1.5 + 0.2 * z && std::abs(d.y()) < 0.5 + 0.6 * z
                    : d.norm() < 1.5 + 0.2 * z;
    };
    if (within(0.0)) return 150.0;
    for (double z = 0.1; z < 2.2; z += 0.1) {
      // Lit from above.
      if (within(z)) return off(z).y() < 0.0 ? 180.0 : 80.0;
    }
    return off(2.2).norm() < 6.8 ? 45.0 : 120.0;
  });
  return view;
}

// Drawn flat, lit by no lamp, it errs more than on what it knows (pole_reading_whole_test), but
// wherever the pole is by the same.
TEST(PoleReading, FollowsThePole) {
  for (const bool chisel : {false, true}) {
    const auto here = ReadPole(PoleView(chisel, {0.0, 0.0}), {0.2, -0.1, 0.0}, 3.0);
    ASSERT_TRUE(here) << chisel;
    const Eigen::Vector2d error_mm = Eigen::Vector2d(0.2, -0.1) + here->offset_mm;
    EXPECT_LT(error_mm.norm(), 0.3) << chisel;
    for (const Eigen::Vector2d& middle_mm :
         {Eigen::Vector2d(0.4, -0.3), Eigen::Vector2d(-0.2, 0.3)}) {
      const auto there = ReadPole(PoleView(chisel, middle_mm), {0.2, -0.1, 0.0}, 3.0);
      ASSERT_TRUE(there) << chisel;
      const Eigen::Vector2d moved_mm = there->offset_mm - here->offset_mm;
      EXPECT_LT((moved_mm - middle_mm).norm(), 0.12) << chisel << ", " << moved_mm.transpose();
    }
  }
}

TEST(PoleReading, DoesNotDependOnWhereThePoleIsExpected) {
  const PhotoView view = PoleView(false, {0.0, 0.0});
  const auto here = ReadPole(view, Eigen::Vector3d::Zero(), 3.0);
  ASSERT_TRUE(here);
  for (const Eigen::Vector2d& off_mm : {Eigen::Vector2d(-0.5, 0.3), Eigen::Vector2d(0.4, 0.6)}) {
    const auto there = ReadPole(view, {off_mm.x(), off_mm.y(), 0.0}, 3.0);
    ASSERT_TRUE(there);
    EXPECT_LT((off_mm + there->offset_mm - here->offset_mm).norm(), 0.05) << off_mm.transpose();
  }
}

// A profile may say anything from 0.3 to 20 mm.
TEST(PoleReading, TakesAWidthThatItNeverSawForTheNearest) {
  const PhotoView view = PoleView(false, {0.0, 0.0});
  for (const auto& [told_mm, nearest_mm] : {std::pair{20.0, 5.8}, std::pair{0.3, 1.4}}) {
    const auto told = ReadPole(view, {0.2, -0.1, 0.0}, told_mm);
    const auto nearest = ReadPole(view, {0.2, -0.1, 0.0}, nearest_mm);
    ASSERT_TRUE(told && nearest) << told_mm;
    EXPECT_EQ(told->offset_mm, nearest->offset_mm) << told_mm;
  }
}

TEST(PoleReading, FindsNoneOnAnEvenGround) {
  PhotoView view = testing::DetectorView(20.0);
  testing::Render(view, 1.0, 2.0, [](const Eigen::Vector3d&) { return 90.0; });
  EXPECT_FALSE(ReadPole(view, {0.0, 0.0, 0.0}, 3.0));
}

}  // namespace
}  // namespace tinesight
