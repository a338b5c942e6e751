// Rods and rings held against their neighbors, on rendered rows: lines and centers that start off
// the truth by what an outline may be misread by must come nearer to it.
#include <gtest/gtest.h>

#include <array>
#include <cmath>

#include "tests/detector_scene.hpp"
#include "vision/ring_registration.hpp"
#include "vision/rod_registration.hpp"

namespace tinesight {
namespace {

constexpr int kCount = 7;
constexpr double kSpacingMm = 13.7;
constexpr double kRadiusMm = 0.95;
/// How the starts are off, in turn; hardly any of it is a line along the row.
constexpr std::array<double, kCount> kErrorMm = {0.06, -0.05, 0.04, -0.07, 0.06, -0.05, 0.05};

/// Of the row, from its middle.
double Place(int i) { return i - 0.5 * (kCount - 1); }
double PlaceX(int i) { return kSpacingMm * Place(i); }

/// Steel rods with a highlight that wanders along the row, before a ground of which no two places
/// look alike.
PhotoView RowOfRods() {
  PhotoView view = testing::DetectorView(10.0);
  const Eigen::Vector3d eye = view.CameraCenterMm();
  testing::Render(view, 1.2, 3.0, [&](const Eigen::Vector3d& ray) {
    for (int i = 0; i < kCount; ++i) {
      const Eigen::Vector3d normal = ray.cross(Eigen::Vector3d::UnitZ()).normalized();
      const double t = (Eigen::Vector3d(PlaceX(i), 1.0, 0.0) - eye).dot(normal) / kRadiusMm;
      if (std::abs(t) >= 1.0) continue;
      const double highlight = 0.3 + 0.05 * Place(i);
      return 70.0 + 25.0 * (1.0 - t * t) +
             90.0 * std::exp(-0.5 * std::pow((t - highlight) / 0.2, 2));
    }
    const Eigen::Vector3d p = eye + ray * ((9.0 - eye.y()) / ray.y());
    return 85.0 + 30.0 * std::sin(0.4 * p.z() + 0.11 * p.x()) * std::sin(0.37 * p.x());
  });
  return view;
}

double Rms(const std::vector<double>& values) {
  double sum = 0.0;
  for (const double v : values) sum += v * v;
  return std::sqrt(sum / static_cast<double>(values.size()));
}

constexpr double kSpanMm = 60.0;

std::vector<Straightened> PicturesOfRods(const PhotoView& view) {
  std::vector<Straightened> pictures;
  pictures.reserve(kCount);
  for (int i = 0; i < kCount; ++i) {
    pictures.emplace_back(view,
                          Straightened::Axis{{PlaceX(i), 1.0, 0.0}, -Eigen::Vector3d::UnitZ()},
                          -1.0, kSpanMm, 3.0);
  }
  return pictures;
}

/// With the true axes.
std::vector<RodStrip> StripsOfRods(const std::vector<Straightened>& pictures) {
  std::vector<RodStrip> rods;
  for (int i = 0; i < kCount; ++i) {
    RodStrip& rod = rods.emplace_back();
    rod.picture = &pictures[static_cast<std::size_t>(i)];
    rod.place = i;
    rod.from_mm = 2.0;
    rod.to_mm = 45.0;
    rod.span_mm = kSpanMm;
    rod.radius_mm = kRadiusMm;
  }
  return rods;
}

TEST(RodRegistration, BringsRodsThatWereMisreadAlikeWithTheirNeighbors) {
  const PhotoView view = RowOfRods();
  const std::vector<Straightened> pictures = PicturesOfRods(view);
  std::vector<RodStrip> rods = StripsOfRods(pictures);
  std::vector<double> before;
  for (std::size_t i = 0; i < rods.size(); ++i) {
    rods[i].tip_mm = kErrorMm[i];
    rods[i].root_mm = -kErrorMm[i];
    before.insert(before.end(), {rods[i].tip_mm, rods[i].root_mm});
  }
  RegisterRods(rods);
  std::vector<double> after;
  for (const RodStrip& rod : rods) after.insert(after.end(), {rod.tip_mm, rod.root_mm});
  EXPECT_LT(Rms(after), 0.5 * Rms(before));
}

TEST(RodRegistration, OneThatWasFittedBesideItsRodTakesNoNeighborAlong) {
  const PhotoView view = RowOfRods();
  const std::vector<Straightened> pictures = PicturesOfRods(view);
  std::vector<RodStrip> rods = StripsOfRods(pictures);
  constexpr std::size_t kOdd = 4;
  rods[kOdd].tip_mm = 0.6;
  rods[kOdd].root_mm = 0.6;
  RegisterRods(rods);
  for (std::size_t i = 0; i < rods.size(); ++i) {
    const double tolerance_mm = i == kOdd ? 0.1 : 0.03;
    EXPECT_NEAR(rods[i].tip_mm, 0.0, tolerance_mm) << i;
    EXPECT_NEAR(rods[i].root_mm, 0.0, tolerance_mm) << i;
  }
}

TEST(RodRegistration, LeavesTwoRodsAlone) {
  const PhotoView view = RowOfRods();
  const Straightened picture(view, {{0.0, 1.0, 0.0}, -Eigen::Vector3d::UnitZ()}, -1.0, 60.0, 3.0);
  RodStrip rod;
  rod.picture = &picture;
  rod.to_mm = 45.0;
  rod.span_mm = 60.0;
  rod.tip_mm = 0.05;
  std::vector<RodStrip> rods = {rod, rod};
  RegisterRods(rods);
  EXPECT_EQ(rods[0].tip_mm, 0.05);
  EXPECT_EQ(rods[1].root_mm, 0.0);
}

/// Dark flanges before a brighter ground that differs from place to place; a rod covers a sector
/// of each, another one of each.
PhotoView RowOfFlanges() {
  PhotoView view = testing::DetectorView(10.0);
  const Eigen::Vector3d eye = view.CameraCenterMm();
  testing::Render(view, 1.2, 3.0, [&](const Eigen::Vector3d& ray) {
    const Eigen::Vector3d p = eye + ray * ((2.0 - eye.z()) / ray.z());
    for (int i = 0; i < kCount; ++i) {
      const Eigen::Vector2d off(p.x() - PlaceX(i), p.y());
      if (off.norm() > 6.5) continue;
      if (off.y() > 0.0 && std::abs(off.x() - 0.4 * Place(i)) < 1.0) return 150.0;
      return off.norm() > 6.2 ? 75.0 : 45.0;
    }
    return 120.0 + 25.0 * std::sin(0.5 * p.x()) * std::cos(0.3 * p.y());
  });
  return view;
}

TEST(RingRegistration, BringsRingsThatWereMisreadNearTheTruth) {
  const PhotoView view = RowOfFlanges();
  std::vector<RingPatch> rings;
  std::vector<double> before;
  for (int i = 0; i < kCount; ++i) {
    const double error = kErrorMm[static_cast<std::size_t>(i)];
    rings.push_back({static_cast<double>(i), {PlaceX(i) + error, -error, 2.0}});
    before.insert(before.end(), {error, error});
  }
  RegisterRings(view, 5.2, 7.2, rings);
  std::vector<double> after;
  for (int i = 0; i < kCount; ++i) {
    const Eigen::Vector3d& c = rings[static_cast<std::size_t>(i)].center_mm;
    after.insert(after.end(), {c.x() - PlaceX(i), c.y()});
    EXPECT_EQ(c.z(), 2.0);
  }
  EXPECT_LT(Rms(after), 0.4 * Rms(before));
}

std::vector<RingPatch> TrueRingsWithout(int missing) {
  std::vector<RingPatch> rings;
  for (int i = 0; i < kCount; ++i) {
    if (i != missing) rings.push_back({static_cast<double>(i), {PlaceX(i), 0.0, 2.0}});
  }
  return rings;
}

TEST(RingRegistration, OneThatWasFittedBesideItsRingTakesNoNeighborAlong) {
  const PhotoView view = RowOfFlanges();
  std::vector<RingPatch> rings = TrueRingsWithout(kCount);
  constexpr std::size_t kOdd = 4;
  rings[kOdd].center_mm += Eigen::Vector3d(0.4, 0.3, 0.0);
  RegisterRings(view, 5.2, 7.2, rings);
  for (std::size_t i = 0; i < rings.size(); ++i) {
    const double tolerance_mm = i == kOdd ? 0.1 : 0.03;
    EXPECT_NEAR(rings[i].center_mm.x(), PlaceX(static_cast<int>(i)), tolerance_mm) << i;
    EXPECT_NEAR(rings[i].center_mm.y(), 0.0, tolerance_mm) << i;
  }
}

TEST(RingRegistration, LeavesFourRingsAlone) {
  const PhotoView view = RowOfFlanges();
  std::vector<RingPatch> rings;
  rings.reserve(4);
  for (int i = 0; i < 4; ++i)
    rings.push_back({static_cast<double>(i), {PlaceX(i) + 0.05, 0.0, 2.0}});
  RegisterRings(view, 5.2, 7.2, rings);
  for (int i = 0; i < 4; ++i) {
    EXPECT_EQ(rings[static_cast<std::size_t>(i)].center_mm.x(), PlaceX(i) + 0.05);
  }
}

TEST(RingRegistration, BringsAMissedRingToItsPlaceByItsNeighbors) {
  const PhotoView view = RowOfFlanges();
  constexpr int kMissed = 3;
  RingPatch missed{kMissed, {PlaceX(kMissed) + 0.5, -0.4, 2.0}};
  EXPECT_GT(RegisterToRings(view, 5.2, 7.2, TrueRingsWithout(kMissed), missed), 0.8);
  EXPECT_NEAR(missed.center_mm.x(), PlaceX(kMissed), 0.05);
  EXPECT_NEAR(missed.center_mm.y(), 0.0, 0.05);
  EXPECT_EQ(missed.center_mm.z(), 2.0);
}

TEST(RingRegistration, SaysThatThereIsNoRing) {
  const PhotoView view = RowOfFlanges();
  RingPatch none{3.0, {PlaceX(3), -16.0, 2.0}};
  EXPECT_LT(RegisterToRings(view, 5.2, 7.2, TrueRingsWithout(3), none), 0.4);
}

TEST(RingRegistration, NeedsFiveNeighborsForAMissedRing) {
  const PhotoView view = RowOfFlanges();
  std::vector<RingPatch> rings = TrueRingsWithout(3);
  rings.resize(4);
  RingPatch missed{3.0, {PlaceX(3) + 0.5, 0.0, 2.0}};
  EXPECT_EQ(RegisterToRings(view, 5.2, 7.2, rings, missed), 0.0);
  EXPECT_EQ(missed.center_mm.x(), PlaceX(3) + 0.5);
}

// As in a photo of which only one side is sharp enough for flanges to be fitted.
TEST(RingRegistration, LeavesAMissedRingAloneThatIsFarFromAllOthers) {
  const PhotoView view = RowOfFlanges();
  RingPatch missed{20.0, {PlaceX(3) + 0.5, 0.0, 2.0}};
  EXPECT_EQ(RegisterToRings(view, 5.2, 7.2, TrueRingsWithout(3), missed), 0.0);
  EXPECT_EQ(missed.center_mm.x(), PlaceX(3) + 0.5);
}

}  // namespace
}  // namespace tinesight
