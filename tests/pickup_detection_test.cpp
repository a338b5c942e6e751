#include "vision/pickup_detection.hpp"

#include <gtest/gtest.h>

#include <cmath>

#include "tests/detector_scene.hpp"
#include "vision/row_trend.hpp"

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
};

/// Behind the pole tip's face.
double FlangeZ(Pole pole, int i) {
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
      const bool on_tip = (tip_plane - TrueCenter(i)).norm() < 1.5;
      if (on_tip && (cone || pole == Pole::kUneven)) return 170.0;
      const Eigen::Vector2d off = OnPlane(eye, ray, FlangeZ(pole, i)) - TrueCenter(i);
      if (cone && off.norm() < 2.5) return 120.0;
      if (off.norm() > 6.8) continue;
      if (pole == Pole::kHighlight) return (off - HighlightOff(i)).norm() < 2.5 ? 120.0 : 40.0;
      if (pole == Pole::kFlank) return (off - kFlankOff).norm() < 2.5 ? 120.0 : 40.0;
      if (pole == Pole::kUneven) return 45.0 + 25.0 * std::sin(6.0 * off.x() + 6.0 * off.y());
      const double bead = (off - Eigen::Vector2d(0.4, -0.3)).norm();
      return 40.0 + (cone ? 0.0 : 150.0 * std::exp(-std::pow(bead / 1.5, 2.0)));
    }
    const Eigen::Vector2d ground = OnPlane(eye, ray, kFlangeZ);
    return 110.0 + 15.0 * std::sin(0.3 * ground.x()) + 8.0 * std::sin(0.5 * ground.y());
  });
  return view;
}

DetectedPickups Detect(const PhotoView& view) {
  PickupRow row;
  row.spacing_mm = kSpacingMm;
  // As the row's search gives them: the flanges seen in the plane of the tips, half a mm off.
  const Eigen::Vector3d eye = view.CameraCenterMm();
  for (int i = 0; i < kPickups; ++i) {
    const Eigen::Vector2d center = TrueCenter(i);
    const Eigen::Vector3d flange(center.x(), center.y(), kFlangeZ);
    row.pickups.push_back(
        {i, OnPlane(eye, flange - eye, 0.0) + Eigen::Vector2d(i % 2 == 0 ? 0.5 : -0.4, 0.3), 1.0});
  }
  return DetectPickups(view, row, {});
}

double OffPx(const PhotoView& view, const CenterObservation& seen, int i, double z_mm) {
  const Eigen::Vector2d center = TrueCenter(i);
  return (seen.position_px - view.Project({center.x(), center.y(), z_mm})).norm();
}

// 9 px are a mm here: half a px is 0.06 mm.
TEST(PickupDetection, FindsTheRingsOfAConeAndItsTip) {
  const PhotoView view = PickupsView(Pole::kCone);
  const DetectedPickups found = Detect(view);
  ASSERT_EQ(found.pickups.size(), static_cast<std::size_t>(kPickups));
  EXPECT_NEAR(found.collar_radius_mm, 2.5, 0.1);
  int flanges = 0;
  int collars = 0;
  for (int i = 0; i < kPickups; ++i) {
    const DetectedPickup& pickup = found.pickups[static_cast<std::size_t>(i)];
    if (pickup.flange) {
      ++flanges;
      EXPECT_LT(OffPx(view, *pickup.flange, i, kFlangeZ), 0.5) << i;
    }
    if (pickup.collar) {
      ++collars;
      EXPECT_LT(OffPx(view, *pickup.collar, i, kFlangeZ), 0.7) << i;
    }
  }
  EXPECT_EQ(flanges, kPickups);
  EXPECT_EQ(collars, kPickups);
}

/// That the flanges are found, with a small uncertainty, and nothing is taken for a collar.
void ExpectFlangesAlone(const PhotoView& view) {
  const DetectedPickups found = Detect(view);
  EXPECT_EQ(found.collar_radius_mm, 0.0);
  for (int i = 0; i < kPickups; ++i) {
    const DetectedPickup& pickup = found.pickups[static_cast<std::size_t>(i)];
    EXPECT_FALSE(pickup.collar.has_value()) << i;
    ASSERT_TRUE(pickup.flange.has_value()) << i;
    EXPECT_LT(OffPx(view, *pickup.flange, i, kFlangeZ), 0.5) << i;
    EXPECT_LT(pickup.flange->sigma_px, 0.5) << i;
  }
}

// A bead's brightness fades without an edge: what looks a little like a ring of any radius, to
// the side of the light, must not pull the pickup there.
TEST(PickupDetection, TakesNoRingFromAPolishedBead) {
  ExpectFlangesAlone(PickupsView(Pole::kBead));
}

// Taken for rings of the pickups they would pull them about, and make their flanges look uncertain.
TEST(PickupDetection, TakesNoRingFromHighlightsThatWanderOnTheirPoles) {
  ExpectFlangesAlone(PickupsView(Pole::kHighlight));
}

// The lit flank of a chisel looks alike on all poles: only that it is beside their middles tells
// it.
TEST(PickupDetection, TakesNoRingFromFlanksBesideTheMiddlesOfTheirPoles) {
  ExpectFlangesAlone(PickupsView(Pole::kFlank));
}

/// Poles without a rim are told by their likeness, but for a line along the row: about such a line
/// each must be where it is, as surely as it says.
void ExpectPolesInTheirRow(const PhotoView& view, bool alike) {
  const DetectedPickups found = Detect(view);
  std::vector<double> place;
  std::vector<double> off_x;
  std::vector<double> off_y;
  std::vector<double> sigma;
  for (int i = 0; i < kPickups; ++i) {
    const auto& pole = found.pickups[static_cast<std::size_t>(i)].pole_in_row;
    if (!pole) continue;
    const Eigen::Vector2d center = TrueCenter(i);
    const Eigen::Vector2d off = pole->position_px - view.Project({center.x(), center.y(), 0.0});
    place.push_back(i);
    off_x.push_back(off.x());
    off_y.push_back(off.y());
    sigma.push_back(pole->sigma_px);
  }
  if (alike) {
    EXPECT_GE(place.size(), kPickups - 1U);
  }
  const RowTrend x = FitRowTrend(place, off_x);
  const RowTrend y = FitRowTrend(place, off_y);
  for (std::size_t k = 0; k < place.size(); ++k) {
    const double off = std::hypot(off_x[k] - x.At(place[k]), off_y[k] - y.At(place[k]));
    EXPECT_LT(off, 3.0 * sigma[k]) << place[k];
    EXPECT_TRUE(!alike || sigma[k] < 0.8) << place[k];
  }
}

TEST(PickupDetection, TellsFromTheirLikenessWherePolesWithoutARimStandInTheirRow) {
  ExpectPolesInTheirRow(PickupsView(Pole::kBead), true);
  ExpectPolesInTheirRow(PickupsView(Pole::kFlank), true);
  // Nothing is alike here but what wanders.
  ExpectPolesInTheirRow(PickupsView(Pole::kHighlight), false);
}

// What the flange's uncertainty says beside its scatter: 0.03 mm at 9 px/mm.
constexpr double kFlangeFloorPx = 0.28;

// That a tip stands out further moves it in the picture against its flange, and is no reason to
// trust either less.
TEST(PickupDetection, TrustsTipsThatStandOutUnevenly) {
  const PhotoView view = PickupsView(Pole::kUneven);
  const DetectedPickups found = Detect(view);
  int poles = 0;
  for (int i = 0; i < kPickups; ++i) {
    const DetectedPickup& pickup = found.pickups[static_cast<std::size_t>(i)];
    ASSERT_TRUE(pickup.flange.has_value()) << i;
    EXPECT_LT(OffPx(view, *pickup.flange, i, FlangeZ(Pole::kUneven, i)), 0.5) << i;
    EXPECT_LT(pickup.flange->sigma_px, std::hypot(0.25, kFlangeFloorPx)) << i;
    if (!pickup.pole) continue;
    ++poles;
    EXPECT_LT(OffPx(view, *pickup.pole, i, 0.0), 0.5) << i;
    EXPECT_LT(pickup.pole->sigma_px, 0.25) << i;
  }
  EXPECT_EQ(poles, kPickups);
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
  const DetectedPickups found = Detect(view);
  for (int i = 0; i < kPickups; ++i) {
    const DetectedPickup& pickup = found.pickups[static_cast<std::size_t>(i)];
    ASSERT_TRUE(pickup.flange.has_value()) << i;
    EXPECT_LT(OffPx(view, *pickup.flange, i, kFlangeZ), 2.0) << i;
  }
}

TEST(PickupDetection, FindsAFlangeWithAnUntidyRimByItsNeighbors) {
  constexpr int kChipped = 3;
  const PhotoView view = FlangesView(kChipped);
  const DetectedPickups found = Detect(view);
  const auto& flange = found.pickups[kChipped].flange;
  ASSERT_TRUE(flange.has_value());
  EXPECT_LT(OffPx(view, *flange, kChipped, kFlangeZ), 2.0);
}

}  // namespace
}  // namespace tinesight
