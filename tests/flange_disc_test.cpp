#include "vision/flange_disc.hpp"

#include <gtest/gtest.h>

#include <cmath>

#include "tests/detector_scene.hpp"
#include "vision/pickup_detection.hpp"

namespace tinesight {
namespace {

constexpr int kFlanges = 7;
constexpr double kSpacingMm = 13.7;
constexpr double kRadiusMm = 6.8;
constexpr double kFrontZ = 2.0;
constexpr double kThicknessMm = 1.6;

Eigen::Vector2d Middle(int i) {
  constexpr int kMiddle = kFlanges / 2;
  return {kSpacingMm * (i - kMiddle), 0.2 * std::sin(2.1 * i)};
}

Eigen::Vector2d At(const Eigen::Vector3d& eye, const Eigen::Vector3d& ray, double z_mm) {
  return (eye + ray * ((z_mm - eye.z()) / ray.z())).head<2>();
}

/// Black discs before a lighter ground, seen from 16° above and from the left; with no thickness,
/// plates.
PhotoView FlangesView(double thickness_mm) {
  PhotoView view = testing::DetectorView(60.0);
  const Eigen::Vector3d eye = view.CameraCenterMm();
  testing::Render(view, 1.2, 3.0, [&](const Eigen::Vector3d& ray) {
    for (int i = 0; i < kFlanges; ++i) {
      if ((At(eye, ray, kFrontZ) - Middle(i)).norm() < kRadiusMm) return 40.0;
      for (double behind = 0.1; behind < thickness_mm; behind += 0.1) {
        if ((At(eye, ray, kFrontZ + behind) - Middle(i)).norm() < kRadiusMm) return 62.0;
      }
    }
    return 120.0;
  });
  return view;
}

std::vector<ShownFlange> Shown(const PhotoView& view) {
  std::vector<ShownFlange> shown;
  const Eigen::Vector3d eye = view.CameraCenterMm();
  for (int i = 0; i < kFlanges; ++i) {
    const Eigen::Vector3d middle(Middle(i).x() + 0.2, Middle(i).y() - 0.1, kFrontZ);
    const Eigen::Vector3d sight = middle - eye;
    shown.push_back({RingProfiles(view, middle, 4.0, 9.0),
                     {0.0, 0.0},
                     -Eigen::Vector2d(sight.x(), sight.y()) / sight.z()});
  }
  return shown;
}

TEST(FlangeDisc, FindsHowThickAFlangeIs) {
  const auto disc = FindFlangeDisc(Shown(FlangesView(kThicknessMm)), kRadiusMm);
  ASSERT_TRUE(disc.has_value());
  EXPECT_NEAR(disc->thickness_mm, kThicknessMm, 0.3);
  EXPECT_NEAR(disc->radius_mm, kRadiusMm, 0.1);
}

TEST(FlangeDisc, APlateIsAPlainCircle) {
  EXPECT_FALSE(FindFlangeDisc(Shown(FlangesView(0.0)), kRadiusMm).has_value());
}

TEST(FlangeDisc, AnOutlineWithItsBackFindsTheMiddleOfTheFront) {
  const PhotoView view = FlangesView(kThicknessMm);
  const std::vector<ShownFlange> shown = Shown(view);
  for (const ShownFlange& flange : shown) {
    const RingOutline disc{kRadiusMm, kThicknessMm * flange.shift_per_mm};
    const auto fit = flange.profiles.Fit({0.0, 0.0}, disc, 0.4, false);
    ASSERT_TRUE(fit.has_value());
    // 0.06 mm is 0.5 px: the rims' edges, faint in front and strong behind, run into each other a
    // little. A circle through both would be 0.2 mm off.
    EXPECT_NEAR(fit->offset_mm.x(), -0.2, 0.06);
    EXPECT_NEAR(fit->offset_mm.y(), 0.1, 0.06);
  }
}

// A circle through front and back lies between the two, 2 px off here.
TEST(FlangeDisc, PickupsAreWhereTheFrontsOfTheirFlangesAre) {
  const PhotoView view = FlangesView(kThicknessMm);
  const Eigen::Vector3d eye = view.CameraCenterMm();
  PickupRow row;
  row.spacing_mm = kSpacingMm;
  for (int i = 0; i < kFlanges; ++i) {
    const Eigen::Vector3d front(Middle(i).x(), Middle(i).y(), kFrontZ);
    row.pickups.push_back({i, At(eye, front - eye, 0.0) + Eigen::Vector2d(0.3, -0.2), 1.0});
  }
  const std::vector<DetectedPickup> found = DetectPickups(view, row, {});
  for (int i = 0; i < kFlanges; ++i) {
    const auto& flange = found[static_cast<std::size_t>(i)].flange;
    ASSERT_TRUE(flange.has_value()) << i;
    const Eigen::Vector3d front(Middle(i).x(), Middle(i).y(), kFrontZ);
    EXPECT_LT((flange->position_px - view.Project(front)).norm(), 0.5) << i;
  }
}

}  // namespace
}  // namespace tinesight
