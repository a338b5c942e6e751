// A camera found from measuring photos: synthetic marks of a known rig, as one and as two photos
// show them. The limits are in the stated uncertainties.
#include "calibration/rig_camera.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <random>

#include "tests/facing_tag.hpp"

namespace tinesight {
namespace {

Rig TwoBars() {
  Rig rig;
  for (int i = 0; i < 20; ++i) {
    const double x = 18.0 * (i - 9.5);
    rig.tags.push_back(test::FacingTag(i, {x, -25.0, 30.0}, 0.05));
    rig.tags.push_back(test::FacingTag(40 + i, {x, 17.0, -205.0}, 0.05));
  }
  return rig;
}

Camera TrueCamera() {
  Camera camera;
  camera.width_px = 4032;
  camera.height_px = 3024;
  camera.fx_px = camera.fy_px = 3080.0;
  camera.cx_px = 2025.0;
  camera.cy_px = 1500.0;
  camera.distortion = {-0.05, 0.03, 0.0004, -0.0003, 0.0};
  return camera;
}

/// From `x_mm` to the side, above and before the mount bar, looking at the middle of the rig.
Eigen::Isometry3d CameraAt(double x_mm) {
  const Eigen::Vector3d eye(x_mm, -125.0, -420.0);
  const Eigen::Vector3d z = (Eigen::Vector3d(0.0, 0.0, -80.0) - eye).normalized();
  const Eigen::Vector3d x = Eigen::Vector3d::UnitY().cross(z).normalized();
  Eigen::Isometry3d camera_from_rig = Eigen::Isometry3d::Identity();
  camera_from_rig.linear().row(0) = x.transpose();
  camera_from_rig.linear().row(1) = z.cross(x).transpose();
  camera_from_rig.linear().row(2) = z.transpose();
  camera_from_rig.translation() = -camera_from_rig.linear() * eye;
  return camera_from_rig;
}

SurveyPhoto PhotoFrom(double x_mm, double focal_scale, const Rig& rig, bool both_bars = true) {
  constexpr double kNoisePx = 0.1;
  std::mt19937 random(7);
  std::normal_distribution<double> noise(0.0, kNoisePx);
  const Camera camera = TrueCamera().Adjusted(focal_scale, 0.0, 0.0);
  SurveyPhoto photo{"photo", {}};
  for (const RigTag& tag : rig.tags) {
    if (!both_bars && tag.id >= 40) continue;
    TagObservation seen;
    seen.id = tag.id;
    seen.sigma_px = kNoisePx;
    for (std::size_t k = 0; k < 4; ++k) {
      seen.corners_px[k] = camera.Project(CameraAt(x_mm) * tag.corners_mm[k]) +
                           Eigen::Vector2d(noise(random), noise(random));
    }
    photo.observations.tags.push_back(seen);
  }
  return photo;
}

SurveyOptions Options() {
  SurveyOptions options;
  options.width_px = 4032;
  options.height_px = 3024;
  return options;
}

void ExpectTheTrueCamera(const Camera& found, double focal_scale) {
  const Camera truth = TrueCamera().Adjusted(focal_scale, 0.0, 0.0);
  ASSERT_TRUE(found.standard_uncertainty.has_value());
  const auto& u = *found.standard_uncertainty;
  EXPECT_NEAR(found.fx_px, truth.fx_px, 3.0 * u[0]);
  EXPECT_NEAR(found.cx_px, truth.cx_px, 3.0 * u[2]);
  EXPECT_NEAR(found.cy_px, truth.cy_px, 3.0 * u[3]);
  EXPECT_LT(u[0], 0.005 * truth.fx_px);
  // What a note's figures hang on: where the camera sees places between the bars.
  for (const double x : {-80.0, 0.0, 80.0}) {
    const Eigen::Vector3d ray(x / 400.0, 20.0 / 400.0, 1.0);
    EXPECT_LT((found.Project(ray) - truth.Project(ray)).norm(), 4.0) << x;
  }
}

TEST(CameraFromRig, OnePhotoTellsItsOwnCamera) {
  const Rig rig = TwoBars();
  const auto found = CameraFromRig({PhotoFrom(-60.0, 1.01, rig)}, rig, Options());
  ASSERT_TRUE(found.has_value()) << found.error().message;
  ExpectTheTrueCamera(*found, 1.01);
}

TEST(CameraFromRig, TwoPhotosShareOneWithFocusOfTheirOwn) {
  const Rig rig = TwoBars();
  const auto found =
      CameraFromRig({PhotoFrom(-60.0, 1.008, rig), PhotoFrom(75.0, 0.992, rig)}, rig, Options());
  ASSERT_TRUE(found.has_value()) << found.error().message;
  ExpectTheTrueCamera(*found, 1.0);
}

TEST(CameraFromRig, OneBarIsRefused) {
  const Rig rig = TwoBars();
  const auto found = CameraFromRig({PhotoFrom(0.0, 1.0, rig, false)}, rig, Options());
  ASSERT_FALSE(found.has_value());
  EXPECT_NE(found.error().message.find("both bars"), std::string::npos) << found.error().message;
}

}  // namespace
}  // namespace tinesight
