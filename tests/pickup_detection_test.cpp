#include "vision/pickup_detection.hpp"

#include <gtest/gtest.h>

#include <cmath>

#include "tests/detector_scene.hpp"

namespace tinesight {
namespace {

constexpr double kSpacingMm = 13.7;
constexpr double kFlangeZ = 2.0;  // behind the pole tips' faces, z = 0
constexpr int kPickups = 7;

Eigen::Vector2d TrueCenter(int i) {
  // Not quite in line, so that nothing can be read off the row alone.
  constexpr int kMiddle = kPickups / 2;
  return {kSpacingMm * (i - kMiddle), 0.25 * std::sin(2.1 * i)};
}

Eigen::Vector2d OnPlane(const Eigen::Vector3d& eye, const Eigen::Vector3d& ray, double z_mm) {
  return (eye + ray * ((z_mm - eye.z()) / ray.z())).head<2>();
}

enum class Pole {
  kCone,       ///< 3 mm at its tip, 5 mm at the flange
  kBead,       ///< polished, without any ring, lit from the side
  kHighlight,  ///< round, 5 mm, seen on a pole now on this, now on that side
  kFlank,      ///< round, 5 mm, seen on every pole on the same side of its middle
  kUneven,     ///< 3 mm all along, each standing out by another amount
  kLong,       ///< 2 mm all along, standing far out
};

constexpr Pole kPoles[] = {Pole::kCone,  Pole::kBead,   Pole::kHighlight,
                           Pole::kFlank, Pole::kUneven, Pole::kLong};

const char* Name(Pole pole) {
  static const char* const kNames[] = {"cone ",  "bead ",   "highlight ",
                                       "flank ", "uneven ", "long "};
  return kNames[static_cast<int>(pole)];
}

constexpr double kLongMm = 5.5;
constexpr double kLongRadiusMm = 1.0;

/// Behind the pole tip's face.
double FlangeZ(Pole pole, int i) {
  if (pole == Pole::kLong) return kLongMm;
  return kFlangeZ + (pole == Pole::kUneven ? 0.35 * std::sin(2.4 * i) : 0.0);
}

/// Up to 0.42 mm to each side, changing from pole to pole.
Eigen::Vector2d HighlightOff(int i) { return {0.3 * (i % 3 - 1), 0.3 * ((2 * i) % 5 - 2) / 2.0}; }

const Eigen::Vector2d kFlankOff{0.5, -0.5};

/// Dark flanges of 13.6 mm before a lighter ground, each with a pole.
PhotoView PickupsView(Pole pole) {
  const bool cone = pole == Pole::kCone;
  PhotoView view = testing::DetectorView(20.0);
  const Eigen::Vector3d eye = view.CameraCenterMm();
  testing::Render(view, 0.8, pole == Pole::kUneven ? 12.0 : 2.0, [&](const Eigen::Vector3d& ray) {
    const Eigen::Vector2d tip_plane = OnPlane(eye, ray, 0.0);
    for (int i = 0; i < kPickups; ++i) {
      const double beside_tip = (tip_plane - TrueCenter(i)).norm();
      if (pole == Pole::kLong && beside_tip < kLongRadiusMm) return 150.0;
      for (double z = 0.1; pole == Pole::kLong && z < kLongMm; z += 0.1) {
        const Eigen::Vector2d side = OnPlane(eye, ray, z) - TrueCenter(i);
        if (side.norm() < kLongRadiusMm) return side.y() < 0.0 ? 190.0 : 80.0;
      }
      const bool on_tip = beside_tip < 1.5;
      if (on_tip && (cone || pole == Pole::kUneven)) return 150.0;
      for (double z = 0.1; cone && z < kFlangeZ; z += 0.1) {
        const Eigen::Vector2d flank = OnPlane(eye, ray, z) - TrueCenter(i);
        if (flank.norm() < 1.5 + 0.5 * z) return flank.y() < 0.0 ? 180.0 : 80.0;
      }
      const Eigen::Vector2d off = OnPlane(eye, ray, FlangeZ(pole, i)) - TrueCenter(i);
      if (off.norm() > 6.8) continue;
      if (pole == Pole::kHighlight) return (off - HighlightOff(i)).norm() < 2.5 ? 120.0 : 40.0;
      if (pole == Pole::kFlank) return (off - kFlankOff).norm() < 2.5 ? 120.0 : 40.0;
      if (pole == Pole::kLong) return 40.0;
      if (pole == Pole::kUneven) return 45.0 + 25.0 * std::sin(6.0 * off.x() + 6.0 * off.y());
      const double bead = (off - Eigen::Vector2d(0.4, -0.3)).norm();
      return 40.0 + (cone ? 0.0 : 150.0 * std::exp(-std::pow(bead / 1.5, 2.0)));
    }
    const Eigen::Vector2d ground = OnPlane(eye, ray, kFlangeZ);
    return 110.0 + 15.0 * std::sin(0.3 * ground.x()) + 8.0 * std::sin(0.5 * ground.y());
  });
  return view;
}

std::vector<DetectedPickup> Detect(const PhotoView& view, double flange_z = kFlangeZ,
                                   const PickupRowOptions& options = {}) {
  PickupRow row;
  row.spacing_mm = kSpacingMm;
  // As the row's search gives them: the flanges seen in the plane of the tips, half a mm off.
  const Eigen::Vector3d eye = view.CameraCenterMm();
  for (int i = 0; i < kPickups; ++i) {
    const Eigen::Vector2d center = TrueCenter(i);
    const Eigen::Vector3d flange(center.x(), center.y(), flange_z);
    row.pickups.push_back(
        {i, OnPlane(eye, flange - eye, 0.0) + Eigen::Vector2d(i % 2 == 0 ? 0.5 : -0.4, 0.3), 1.0});
  }
  return DetectPickups(view, row, options);
}

double OffPx(const PhotoView& view, const CenterObservation& seen, int i, double z_mm) {
  const Eigen::Vector2d center = TrueCenter(i);
  return (seen.position_px - view.Project({center.x(), center.y(), z_mm})).norm();
}

// 9 px are a mm here: half a px is 0.06 mm. A bead's brightness fades without an edge, highlights
// wander, the lit flank of a chisel is beside the middle of its pole, and that a tip stands out
// further moves it in the picture against its flange: whatever the pole is, the flange stays where
// it is, as surely.
TEST(PickupDetection, FindsTheFlangesOfAllKindsOfPoles) {
  constexpr double kMostSigmaPx = 0.375;
  for (const Pole pole : kPoles) {
    const PhotoView view = PickupsView(pole);
    const std::vector<DetectedPickup> found = Detect(view, FlangeZ(pole, 0));
    ASSERT_EQ(found.size(), static_cast<std::size_t>(kPickups));
    for (int i = 0; i < kPickups; ++i) {
      const auto& flange = found[static_cast<std::size_t>(i)].flange;
      ASSERT_TRUE(flange) << Name(pole) << i;
      EXPECT_LT(OffPx(view, *flange, i, FlangeZ(pole, i)), 0.5) << Name(pole) << i;
      EXPECT_LT(flange->sigma_px, kMostSigmaPx) << Name(pole) << i;
    }
  }
}

// A flange's middle is half a mm and more beside its pole's in the plane of the tips.
TEST(PickupDetection, ReadsThePolesBeforeTheFlanges) {
  const PhotoView view = PickupsView(Pole::kCone);
  const std::vector<DetectedPickup> found = Detect(view);
  for (int i = 0; i < kPickups; ++i) {
    const DetectedPickup& pickup = found[static_cast<std::size_t>(i)];
    ASSERT_TRUE(pickup.pole) << i;
    EXPECT_LT(OffPx(view, *pickup.pole, i, 0.0), 3.0 * pickup.pole->sigma_px) << i;
    EXPECT_LT((pickup.plane_mm - TrueCenter(i)).norm(), 0.25) << i;
  }
}

// In the plane of the tips 1.6 mm and more beside their flanges.
TEST(PickupDetection, ReadsPolesThatStandFarOut) {
  const PhotoView view = PickupsView(Pole::kLong);
  PickupRowOptions options;
  options.pole_tip_diameter_mm = 2.0 * kLongRadiusMm;
  options.pole_protrusion_mm = kLongMm;
  const std::vector<DetectedPickup> found = Detect(view, kLongMm, options);
  for (int i = 0; i < kPickups; ++i) {
    const DetectedPickup& pickup = found[static_cast<std::size_t>(i)];
    ASSERT_TRUE(pickup.pole) << i;
    EXPECT_LT(OffPx(view, *pickup.pole, i, 0.0), 3.0 * pickup.pole->sigma_px) << i;
    EXPECT_LT((pickup.plane_mm - TrueCenter(i)).norm(), 0.25) << i;
  }
}

/// Dark flanges that stand out less against their brackets and the flanges at the far ends of their
/// coils than those do against a light ground. The rim of the one at `chipped` runs in and out.
PhotoView FlangesView(int chipped) {
  constexpr double kFarZ = kFlangeZ + 9.5;
  PhotoView view = testing::DetectorView(20.0);
  const Eigen::Vector3d eye = view.CameraCenterMm();
  testing::Render(view, 0.8, 2.0, [&](const Eigen::Vector3d& ray) {
    const Eigen::Vector2d near = OnPlane(eye, ray, kFlangeZ);
    const Eigen::Vector2d far = OnPlane(eye, ray, kFarZ);
    for (int i = 0; i < kPickups; ++i) {
      const Eigen::Vector2d off = near - TrueCenter(i);
      const double chips = i == chipped ? 1.0 * std::sin(7.0 * std::atan2(off.y(), off.x())) : 0.0;
      if (off.norm() < 6.8 + chips) return off.norm() < 1.5 ? 130.0 : 45.0;
    }
    for (int i = 0; i < kPickups; ++i) {
      if ((far - TrueCenter(i)).norm() < 6.8) return 20.0;
    }
    return near.y() > 1.0 ? 25.0 : 120.0 + 10.0 * std::sin(0.3 * near.x());
  });
  return view;
}

TEST(PickupDetection, TakesTheNearFlangeNotTheOneBehindIt) {
  const PhotoView view = FlangesView(-1);
  const std::vector<DetectedPickup> found = Detect(view);
  for (int i = 0; i < kPickups; ++i) {
    const auto& flange = found[static_cast<std::size_t>(i)].flange;
    ASSERT_TRUE(flange) << i;
    EXPECT_LT(OffPx(view, *flange, i, kFlangeZ), 2.0) << i;
  }
}

TEST(PickupDetection, FindsAFlangeWithAnUntidyRimByItsNeighbors) {
  constexpr int kChipped = 3;
  const PhotoView view = FlangesView(kChipped);
  const std::vector<DetectedPickup> found = Detect(view);
  const auto& flange = found[kChipped].flange;
  ASSERT_TRUE(flange.has_value());
  EXPECT_LT(OffPx(view, *flange, kChipped, kFlangeZ), 2.0);
}

}  // namespace
}  // namespace tinesight
