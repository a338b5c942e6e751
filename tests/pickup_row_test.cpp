#include "vision/pickup_row.hpp"

#include <gtest/gtest.h>

#include "tests/detector_scene.hpp"

namespace tinesight {
namespace {

constexpr double kSpacingMm = 13.7;
constexpr int kPickups = 7;

/// How a row stands against one as drawn, in the plane of the pole tips.
struct Askew {
  double spacing_share = 0.0;  // by how much farther apart
  double slope = 0.0;
};

Eigen::Vector2d TrueCenter(int i, const Askew& askew) {
  constexpr int kMiddle = kPickups / 2;
  const double x = (1.0 + askew.spacing_share) * kSpacingMm * (i - kMiddle);
  return {x, askew.slope * x};
}

/// Dark flanges of 13.6 mm before a lighter ground, 2 mm behind poles of 3 mm.
PhotoView RowView(const Askew& askew) {
  constexpr double kFlangeZ = 2.0;
  PhotoView view = testing::DetectorView(20.0);
  const Eigen::Vector3d eye = view.CameraCenterMm();
  const auto at = [&](const Eigen::Vector3d& ray, double z_mm) {
    return Eigen::Vector2d((eye + ray * ((z_mm - eye.z()) / ray.z())).head<2>());
  };
  testing::Render(view, 0.8, 2.0, [&](const Eigen::Vector3d& ray) {
    for (int i = 0; i < kPickups; ++i) {
      if ((at(ray, 0.0) - TrueCenter(i, askew)).norm() < 1.5) return 150.0;
    }
    for (int i = 0; i < kPickups; ++i) {
      if ((at(ray, kFlangeZ) - TrueCenter(i, askew)).norm() < 6.8) return 40.0;
    }
    return 110.0;
  });
  return view;
}

PickupRowOptions Options() {
  PickupRowOptions options;
  options.min_x_mm = -55.0;
  options.max_x_mm = 55.0;
  return options;
}

// Rigs are clamped askew: what is expected of a row must not outweigh what is seen, to the ends of
// the range that is searched. A place may be that of the pole or of its flange, 0.6 mm beside it in
// the plane of the tips.
TEST(PickupRow, IsFoundAsDrawnAndAskew) {
  constexpr double kMostMm = 1.0;
  for (const Askew& askew : {Askew{}, Askew{0.03, 0.02}, Askew{-0.03, -0.02}, Askew{0.0, 0.02}}) {
    const auto row = FindPickupRow(RowView(askew), Options());
    ASSERT_TRUE(row) << row.error().message;
    ASSERT_EQ(row->pickups.size(), static_cast<std::size_t>(kPickups));
    EXPECT_NEAR(row->spacing_mm / kSpacingMm, 1.0 + askew.spacing_share, 0.011);
    EXPECT_NEAR(row->slope, askew.slope, 0.011);
    for (int i = 0; i < kPickups; ++i) {
      const RowPickup& pickup = row->pickups[static_cast<std::size_t>(i)];
      EXPECT_EQ(pickup.index, i);
      EXPECT_LT((pickup.plane_mm - TrueCenter(i, askew)).norm(), kMostMm) << i;
    }
  }
}

TEST(PickupRow, RefusesOptionsThatMakeNoSense) {
  PickupRowOptions options = Options();
  options.max_x_mm = options.min_x_mm;
  EXPECT_FALSE(FindPickupRow(RowView({}), options));
}

}  // namespace
}  // namespace tinesight
