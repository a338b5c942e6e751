#include "vision/bar_blur.hpp"

#include <gtest/gtest.h>

#include "calibration/strips.hpp"
#include "tests/solve_scene.hpp"

namespace tinesight {
namespace {

constexpr double kNearPx = 5.0;

class BarBlur : public ::testing::Test {
 protected:
  BarBlur() {
    view_.camera = testing::PhoneCamera();
    view_.camera_from_world = testing::LookingFrom({-60.0, -125.0, -410.0});
  }

  /// All tags of the rig, those of the bar in the distance blurred by so much there, others by
  /// kNearPx.
  RigObservations Seen(double far_blur_mm) const {
    RigObservations seen;
    for (const RigTag& tag : rig_.tags) {
      const double depth_mm = (view_.camera_from_world * tag.CenterMm()).z();
      const double far_px = far_blur_mm * view_.camera.fx_px / depth_mm;
      TagObservation& observed = seen.tags.emplace_back();
      observed.id = tag.id;
      observed.blur_px = tag.CenterMm().z() > -100.0 ? far_px : kNearPx;
    }
    return seen;
  }

  Rig rig_ = NominalRig();
  PhotoView view_;
};

TEST_F(BarBlur, IsThatOfTheBarAtThePickups) {
  EXPECT_NEAR(PickupBarBlurMm(Seen(0.3), rig_, view_).value_or(0.0), 0.3, 1e-9);
}

TEST_F(BarBlur, OfATagOrTwoCountsLittle) {
  RigObservations seen = Seen(0.2);
  seen.tags.back().blur_px = 20.0;
  TagObservation& card = seen.tags.emplace_back();
  card.id = kRegisterCardBaseId + 40;
  card.blur_px = 20.0;
  EXPECT_NEAR(PickupBarBlurMm(seen, rig_, view_).value_or(0.0), 0.2, 1e-9);
}

TEST_F(BarBlur, IsUnknownWhereNoTagOfTheBarTells) {
  RigObservations seen = Seen(0.0);
  EXPECT_FALSE(PickupBarBlurMm(seen, rig_, view_));
  EXPECT_FALSE(PickupBarBlurMm({}, rig_, view_));
}

}  // namespace
}  // namespace tinesight
