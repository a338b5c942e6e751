// Poles without a rim, held against each other on a rendered row: where their axes are misread,
// what they look like must tell better, whatever the tines before them do.
#include "vision/pole_in_row.hpp"

#include <gtest/gtest.h>

#include <array>
#include <cmath>

#include "tests/detector_scene.hpp"
#include "vision/ring_cross_check.hpp"

namespace tinesight {
namespace {

constexpr int kCount = 9;
constexpr double kSpacingMm = 10.5;
constexpr double kTipRadiusMm = 1.5;
/// How axes are off, in turn; hardly any of it is a line along the row.
constexpr std::array<double, kCount> kErrorMm = {0.06,  -0.05, 0.04,  -0.07, 0.06,
                                                 -0.05, 0.05,  -0.07, 0.06};

double PlaceX(int i) { return kSpacingMm * (i - 0.5 * (kCount - 1)); }

/// Cones, or where `first_chisel` says chisels, before dark flanges; a tine before the lower half
/// of each, to its side by `tine_mm` times 1, -1, -1, 1 and so on.
PhotoView RowOfPoles(double tine_mm, int first_chisel = kCount) {
  PhotoView view = testing::DetectorView(10.0);
  const Eigen::Vector3d eye = view.CameraCenterMm();
  testing::Render(view, 1.2, 3.0, [&](const Eigen::Vector3d& ray) {
    const Eigen::Vector3d p = eye + ray * (-eye.z() / ray.z());
    for (int i = 0; i < kCount; ++i) {
      const double x = p.x() - PlaceX(i);
      if (std::abs(x) > 5.0) continue;
      const double tine = (i / 2 + i) % 2 == 0 ? tine_mm : -tine_mm;
      const Eigen::Vector2d toward_mount =
          Eigen::Vector2d(PlaceX(i) - eye.x(), -eye.y()).normalized();
      const double along = x * toward_mount.x() + p.y() * toward_mount.y();
      const double across = x * toward_mount.y() - p.y() * toward_mount.x();
      if (along > 0.4 && std::abs(across - tine) < 0.8) return 110.0;
      if (i >= first_chisel) {
        if (std::abs(x) < 1.5 && std::abs(p.y()) < 0.4) return 220.0;
        return std::abs(p.y()) < 2.0 && std::abs(x) < 2.0 ? 90.0 - 20.0 * p.y() : 45.0;
      }
      const double r = std::hypot(x, p.y()) / 2.5;
      if (r > 1.0) return 45.0;
      const double spark = std::hypot(x - 0.7, p.y() + 0.8) / 0.4;
      return 170.0 - 90.0 * r * r + 70.0 * std::exp(-0.5 * spark * spark);
    }
    return 45.0;
  });
  return view;
}

/// Flanges 2 mm behind the poles' faces, each off by its error times `times` in x and y.
std::vector<PickupAxis> Axes(double times, int count = kCount) {
  std::vector<PickupAxis> axes;
  for (int i = 0; i < count; ++i) {
    const double error = times * kErrorMm[static_cast<std::size_t>(i)];
    axes.push_back({static_cast<std::size_t>(i), {PlaceX(i) + error, -error, 2.0}});
  }
  return axes;
}

/// Root mean square distance from the true middles.
double RmsOff(const std::vector<PoleInRow>& poles) {
  double sum = 0.0;
  for (const PoleInRow& pole : poles) {
    const Eigen::Vector3d truth(PlaceX(static_cast<int>(pole.pickup)), 0.0, 0.0);
    sum += (pole.center_mm - truth).squaredNorm();
  }
  return std::sqrt(sum / static_cast<double>(poles.size()));
}

TEST(PoleInRow, LikenessTellsBetterThanAxesThatWereMisread) {
  const auto poles = FindPolesInRow(RowOfPoles(0.1), kTipRadiusMm, Axes(1.0));
  ASSERT_EQ(poles.size(), static_cast<std::size_t>(kCount));
  EXPECT_LT(RmsOff(poles), 0.02);  // from 0.08
}

TEST(PoleInRow, TinesBesideTheirPolesDoNotPullThem) {
  const auto poles = FindPolesInRow(RowOfPoles(0.9), kTipRadiusMm, Axes(0.0));
  ASSERT_EQ(poles.size(), static_cast<std::size_t>(kCount));
  EXPECT_LT(RmsOff(poles), 0.02);
}

TEST(PoleInRow, OnlyPolesOfOneLookAreHeldAgainstEachOther) {
  constexpr int kCones = 6;
  const auto poles = FindPolesInRow(RowOfPoles(0.1, kCones), kTipRadiusMm, Axes(1.0));
  ASSERT_EQ(poles.size(), static_cast<std::size_t>(kCones));
  for (int i = 0; i < kCones; ++i) {
    EXPECT_EQ(poles[static_cast<std::size_t>(i)].pickup, static_cast<std::size_t>(i));
  }
}

TEST(PoleInRow, FourPolesTellNothing) {
  EXPECT_TRUE(FindPolesInRow(RowOfPoles(0.1), kTipRadiusMm, Axes(1.0, 4)).empty());
  EXPECT_TRUE(FindPolesInRow(RowOfPoles(0.1), kTipRadiusMm, {}).empty());
}

// The flanges of a row in a picture, and poles that scatter about them by 0.3 px; the fifth one is
// scratched, or of another make, and looks to stand 4 px beside.
TEST(PoleInRow, APoleFarBesideItsFlangeIsDroppedAndTheOthersOwnUpToTheirScatter) {
  constexpr std::size_t kOdd = 4;
  std::vector<DetectedPickup> pickups(kCount);
  for (std::size_t i = 0; i < kCount; ++i) {
    DetectedPickup& pickup = pickups[i];
    const double x_px = 130.0 * static_cast<double>(i);
    pickup.plane_mm = {PlaceX(static_cast<int>(i)), 0.0};
    pickup.deeper_px = {0.0, -1.0};
    pickup.flange = CenterObservation{{x_px, 300.0}, 0.3};
    const double beside_px = i == kOdd ? 4.0 : 4.0 * kErrorMm[i];
    pickup.pole_in_row = CenterObservation{{x_px + beside_px, 320.0}, 0.1};
  }
  CheckPolesInRow(pickups);
  for (std::size_t i = 0; i < kCount; ++i) {
    EXPECT_EQ(pickups[i].flange->sigma_px, 0.3) << i;
    ASSERT_EQ(pickups[i].pole_in_row.has_value(), i != kOdd) << i;
    if (i == kOdd) continue;
    EXPECT_GT(pickups[i].pole_in_row->sigma_px, 0.2) << i;
    EXPECT_LT(pickups[i].pole_in_row->sigma_px, 1.0) << i;
  }
}

}  // namespace
}  // namespace tinesight
