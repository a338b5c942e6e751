#include "vision/harp_place.hpp"

#include <gtest/gtest.h>

#include <cmath>

#include "tests/bar_scene.hpp"

namespace tinesight {
namespace {

constexpr double kFlange_mm = 2.0;
// Narrower than life, so that enough of them are in the small picture.
constexpr double kClose_mm = 9.0;
constexpr std::size_t kBars = 11;

double CloseX(std::size_t i) { return kClose_mm * (static_cast<double>(i) - 5.0); }

PhotoView CloseBars() {
  return testing::ViewOfBars(150.0, 10.0, [](double x_mm, double) {
    return std::abs(x_mm - kClose_mm * std::round(x_mm / kClose_mm)) < 2.8;
  });
}

/// How a rig is clamped: rig_from_harp.
Eigen::Isometry3d Clamped(double yaw_deg, double pitch_deg, double roll_deg,
                          const Eigen::Vector3d& shift_mm) {
  Eigen::Isometry3d clamp = Eigen::Isometry3d::Identity();
  clamp.linear() = (Eigen::AngleAxisd(yaw_deg * kRadPerDeg, Eigen::Vector3d::UnitY()) *
                    Eigen::AngleAxisd(pitch_deg * kRadPerDeg, Eigen::Vector3d::UnitX()) *
                    Eigen::AngleAxisd(roll_deg * kRadPerDeg, Eigen::Vector3d::UnitZ()))
                       .toRotationMatrix();
  clamp.translation() = shift_mm;
  return clamp;
}

/// The row as it shows in the plane z = 0 of the rig: where the lines of sight to the flanges pass.
PickupRow RowInRig(const PhotoView& rig_view, const Eigen::Isometry3d& rig_from_harp) {
  PickupRow row;
  const Eigen::Vector3d eye = rig_view.CameraCenterMm();
  for (std::size_t i = 0; i < kBars; ++i) {
    const Eigen::Vector3d flange = rig_from_harp * Eigen::Vector3d(CloseX(i), 0.0, kFlange_mm);
    const Eigen::Vector3d in_plane = eye + (flange - eye) * (eye.z() / (eye.z() - flange.z()));
    row.pickups.push_back({static_cast<int>(i), in_plane.head<2>(), 1.0});
  }
  return row;
}

HarpPlaceOptions Options() {
  HarpPlaceOptions options;
  options.note_spacing_mm = kClose_mm;
  options.reach_mm = 70.0;
  options.flange_mm = kFlange_mm;
  return options;
}

double AngleDeg(const Eigen::Vector3d& a, const Eigen::Vector3d& b) {
  return std::atan2(a.cross(b).norm(), a.dot(b)) / kRadPerDeg;
}

struct Clamp {
  double yaw_deg, pitch_deg, roll_deg;
  Eigen::Vector3d shift_mm;
};

TEST(HarpPlace, IsFoundHoweverTheRigIsClamped) {
  const PhotoView harp_view = CloseBars();
  for (const Clamp& c :
       {Clamp{0.0, 0.0, 0.0, {0.0, 0.0, 0.0}}, Clamp{3.0, 0.0, 0.0, {2.0, 0.0, 0.0}},
        Clamp{-2.0, 3.0, 1.0, {0.0, -8.0, 6.0}}}) {
    const Eigen::Isometry3d rig_from_harp = Clamped(c.yaw_deg, c.pitch_deg, c.roll_deg, c.shift_mm);
    PhotoView view = harp_view;
    view.camera_from_world = harp_view.camera_from_world * rig_from_harp.inverse();
    const PickupRow row = RowInRig(view, rig_from_harp);
    const auto direction = DirectionOfEdges(view, row, Options());
    ASSERT_TRUE(direction.has_value());
    const Eigen::Vector3d z = rig_from_harp.linear().col(2);
    // What the header states; stripes on bars and ground pull a little.
    EXPECT_LT(AngleDeg(*direction, z), 2.0) << c.yaw_deg << " " << c.pitch_deg;

    // The rest of the place is geometry: with the right direction it comes out exactly.
    const auto place = PlaceHarp(view, row, z, Options());
    ASSERT_TRUE(place.has_value());
    EXPECT_LT(AngleDeg(place->linear().col(0), rig_from_harp.linear().col(0)), 1e-6);
    for (std::size_t i = 0; i < row.pickups.size(); ++i) {
      const Eigen::Vector3d face = rig_from_harp * Eigen::Vector3d(CloseX(i), 0.0, 0.0);
      const Eigen::Vector3d in_harp = place->inverse() * face;
      EXPECT_NEAR(in_harp.y(), 0.0, 1e-6);
      EXPECT_NEAR(in_harp.z(), 0.0, 1e-6);
    }
    const Eigen::Vector3d first =
        place->inverse() * (rig_from_harp * Eigen::Vector3d(CloseX(0), 0, 0));
    EXPECT_NEAR((*place * first).x(), first.x(), 1e-6) << "x of the first pickup stays";
  }
}

TEST(HarpPlace, NeedsPickupsAndEdges) {
  const PhotoView view = CloseBars();
  PickupRow row = RowInRig(view, Eigen::Isometry3d::Identity());
  row.pickups.resize(3);
  EXPECT_FALSE(PlaceHarp(view, row, Eigen::Vector3d::UnitZ(), Options()).has_value());
  row.pickups.clear();
  EXPECT_FALSE(DirectionOfEdges(view, row, Options()).has_value());

  PhotoView blank = testing::DetectorView(40.0);
  testing::Render(blank, 0.8, 0.0, [](const Eigen::Vector3d&) { return 90.0; });
  EXPECT_FALSE(DirectionOfEdges(blank, RowInRig(blank, Eigen::Isometry3d::Identity()), Options())
                   .has_value());
}

}  // namespace
}  // namespace tinesight
