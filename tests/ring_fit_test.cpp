#include "vision/ring_fit.hpp"

#include <gtest/gtest.h>

#include "tests/detector_scene.hpp"

namespace tinesight {
namespace {

/// A dark flange of radius 6.8 mm at (0.31, −0.22, 2) before a brighter ground; a rod covers the
/// sector below its middle.
PhotoView FlangeView(bool covered) {
  PhotoView view = testing::DetectorView(60.0);
  const Eigen::Vector3d eye = view.CameraCenterMm();
  testing::Render(view, 1.2, 3.0, [&](const Eigen::Vector3d& ray) {
    const Eigen::Vector3d p = eye + ray * ((2.0 - eye.z()) / ray.z());
    const Eigen::Vector2d off(p.x() - 0.31, p.y() + 0.22);
    if (covered && off.y() > 0.0 && std::abs(off.x()) < 1.4) return 150.0;
    return off.norm() < 6.8 ? 45.0 : 120.0;
  });
  return view;
}

TEST(RingFit, FindsACenterAndItsRadius) {
  const PhotoView view = FlangeView(false);
  const RingProfiles profiles(view, {0.0, 0.0, 2.0}, 4.0, 9.0);
  const auto fit = profiles.Fit({0.0, 0.0}, {6.8}, 0.6, true);
  ASSERT_TRUE(fit.has_value());
  // 0.02 mm is 0.2 px: what blur, noise and the 0.04 mm steps leave.
  EXPECT_NEAR(fit->offset_mm.x(), 0.31, 0.02);
  EXPECT_NEAR(fit->offset_mm.y(), -0.22, 0.02);
  EXPECT_NEAR(fit->radius_offset_mm, 0.0, 0.02);
  EXPECT_GT(fit->coverage, 0.9);
}

TEST(RingFit, IsNotPulledByARodAcrossTheRing) {
  const PhotoView view = FlangeView(true);
  const RingProfiles profiles(view, {0.0, 0.0, 2.0}, 4.0, 9.0);
  const auto fit = profiles.Fit({0.0, 0.0}, {6.8}, 0.6, true);
  ASSERT_TRUE(fit.has_value());
  EXPECT_NEAR(fit->offset_mm.x(), 0.31, 0.03);
  EXPECT_NEAR(fit->offset_mm.y(), -0.22, 0.03);
}

TEST(RingFit, EnergyIsGreatestOnTheRing) {
  const PhotoView view = FlangeView(false);
  const RingProfiles profiles(view, {0.0, 0.0, 2.0}, 4.0, 9.0);
  const double on = profiles.Energy({0.31, -0.22}, {6.8});
  EXPECT_GT(on, 2.0 * profiles.Energy({0.9, -0.22}, {6.8}));
  EXPECT_GT(on, 2.0 * profiles.Energy({0.31, -0.22}, {6.2}));
}

// A lamp above and to the right draws the bevel of the rim as a bright crescent. Its inner edge is
// the stronger one, but the color changes at the rim.
TEST(RingFit, TheLampOnTheBevelDoesNotMoveIt) {
  PhotoView view = testing::DetectorView(60.0);
  const Eigen::Vector3d eye = view.CameraCenterMm();
  const cv::Vec3d copper(50.0, 110.0, 180.0);
  testing::RenderColors(view, 1.2, 3.0, [&](const Eigen::Vector3d& ray) {
    const Eigen::Vector3d p = eye + ray * ((2.0 - eye.z()) / ray.z());
    const Eigen::Vector2d off(p.x() - 0.31, p.y() + 0.22);
    if (off.norm() > 6.8) return copper;
    const double toward_lamp = off.normalized().dot(Eigen::Vector2d(0.6, -0.8));
    const double lit = off.norm() > 6.4 ? std::max(0.0, toward_lamp) : 0.0;
    return cv::Vec3d::all(45.0 + 140.0 * lit);
  });
  const RingProfiles profiles(view, {0.0, 0.0, 2.0}, 4.0, 9.0);
  const auto fit = profiles.Fit({0.0, 0.0}, {6.8}, 0.6, true);
  ASSERT_TRUE(fit.has_value());
  EXPECT_NEAR(fit->offset_mm.x(), 0.31, 0.03);
  EXPECT_NEAR(fit->offset_mm.y(), -0.22, 0.03);
}

TEST(RingFit, FindsNothingOnAnEvenGround) {
  PhotoView view = testing::DetectorView(60.0);
  testing::Render(view, 1.2, 0.0, [](const Eigen::Vector3d&) { return 90.0; });
  const RingProfiles profiles(view, {0.0, 0.0, 2.0}, 4.0, 9.0);
  EXPECT_FALSE(profiles.Fit({0.0, 0.0}, {6.8}, 0.6, true).has_value());
}

}  // namespace
}  // namespace tinesight
