#include "vision/tone_bar_detection.hpp"

#include <gtest/gtest.h>

#include <array>
#include <cmath>

#include "tests/bar_scene.hpp"

namespace tinesight {
namespace {

using testing::BarView;
using testing::BarX;
using testing::kBarBehind_mm;
using testing::kGap_mm;
using testing::kLength_mm;
using testing::kYaw_deg;
using testing::RootZ;

std::vector<ToneBarPrediction> Predictions() {
  std::vector<ToneBarPrediction> notes;
  for (std::size_t i = 0; i < kYaw_deg.size(); ++i) {
    // Tines need not run exactly in front of their bars.
    const double aside = 0.3 * std::sin(2.0 * static_cast<double>(i));
    notes.push_back({{BarX(i) + aside, 0.0, RootZ()}, kLength_mm, kLength_mm + kGap_mm});
  }
  return notes;
}

/// Yaw of the line whose image passes the two points, in the plane of the bars' faces.
double YawDeg(const PhotoView& view, const std::vector<AxisPoint>& points) {
  std::array<Eigen::Vector3d, 2> at;
  for (std::size_t k = 0; k < 2; ++k) {
    const Eigen::Vector2d n = view.camera.Undistort(points[k].position_px);
    const Eigen::Vector3d ray = view.camera_from_world.linear().transpose() * n.homogeneous();
    const Eigen::Vector3d eye = view.CameraCenterMm();
    at[k] = eye + ray * ((kBarBehind_mm - eye.y()) / ray.y());
  }
  const Eigen::Vector3d d = at[1] - at[0];
  return std::atan(d.x() / d.z()) / kRadPerDeg;
}

void ExpectYaws(double width_mm, const ToneBarOptions& options) {
  const PhotoView view = BarView(width_mm);
  const auto found = DetectToneBars(view, Predictions(), options);
  ASSERT_EQ(found.size(), kYaw_deg.size());
  for (std::size_t i = 0; i < found.size(); ++i) {
    ASSERT_EQ(found[i].size(), 2U) << "bar " << i;
    // Half a step of the search: the edges themselves say more.
    EXPECT_NEAR(YawDeg(view, found[i]), kYaw_deg[i], 0.05) << "bar " << i << ", " << width_mm;
  }
}

TEST(ToneBars, AreFoundWithTheirSkewWhateverTheirWidthAndDistance) {
  for (const double width_mm : {7.5, 9.0, 10.5}) ExpectYaws(width_mm, {});
}

TEST(ToneBars, AreFoundWhereTheProfileKnowsTheirWidth) {
  ToneBarOptions options;
  options.width_mm = 9.0;
  ExpectYaws(9.0, options);
}

TEST(ToneBars, AreNotMadeUpWhereThereIsNone) {
  PhotoView view = testing::DetectorView(40.0);
  testing::Render(view, 0.8, 3.0, [](const Eigen::Vector3d& ray) { return 90.0 + 40.0 * ray.y(); });
  for (const auto& points : DetectToneBars(view, Predictions(), {})) EXPECT_TRUE(points.empty());
}

TEST(ToneBars, NeedAFewNotesToTellBarsFromTheGapsBetweenThem) {
  const std::vector<ToneBarPrediction> all = Predictions();
  const auto found = DetectToneBars(BarView(9.0), {all[1], all[3]}, {});
  ASSERT_EQ(found.size(), 2U);
  EXPECT_TRUE(found[0].empty());
  EXPECT_TRUE(found[1].empty());
}

}  // namespace
}  // namespace tinesight
