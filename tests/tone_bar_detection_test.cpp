#include "vision/tone_bar_detection.hpp"

#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <numbers>

#include "tests/detector_scene.hpp"

namespace tinesight {
namespace {

constexpr double kDegree = std::numbers::pi / 180.0;
constexpr double kSpacing_mm = 13.7;
constexpr double kLength_mm = 80.0;
constexpr double kGap_mm = 1.4;
constexpr double kBarBehind_mm = 9.5;  // the bars' faces behind the tines

/// Five bars; the one in the middle is skewed, as a flattened grommet leaves it.
constexpr std::array<double, 5> kYaw_deg = {0.1, -0.2, 1.0, 0.2, -0.1};

double BarX(std::size_t i) { return kSpacing_mm * (static_cast<double>(i) - 2.0); }
double RootZ() { return -kLength_mm - kGap_mm; }

/// Gray bars over a ground that is now lighter, now darker than they, 20 mm behind the tines.
PhotoView BarView(double width_mm) {
  PhotoView view = testing::DetectorView(40.0);
  const Eigen::Vector3d eye = view.CameraCenterMm();
  testing::Render(view, 0.8, 3.0, [&](const Eigen::Vector3d& ray) {
    const auto on_plane = [&](double y_mm) {
      return Eigen::Vector3d(eye + ray * ((y_mm - eye.y()) / ray.y()));
    };
    const Eigen::Vector3d p = on_plane(kBarBehind_mm);
    const double ahead = p.z() - RootZ();
    if (ahead > -18.0 && ahead < 45.0) {
      for (std::size_t i = 0; i < kYaw_deg.size(); ++i) {
        const double middle = BarX(i) + ahead * std::tan(kYaw_deg[i] * kDegree);
        if (std::abs(p.x() - middle) < 0.5 * width_mm) return 105.0 + 5.0 * std::sin(0.7 * p.z());
      }
    }
    return 100.0 + 60.0 * std::sin(0.11 * on_plane(20.0).z());
  });
  return view;
}

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
  return std::atan(d.x() / d.z()) / kDegree;
}

void ExpectYaws(double width_mm, const ToneBarOptions& options) {
  const PhotoView view = BarView(width_mm);
  const auto found = DetectToneBars(view, Predictions(), options);
  ASSERT_EQ(found.size(), kYaw_deg.size());
  for (std::size_t i = 0; i < found.size(); ++i) {
    ASSERT_EQ(found[i].size(), 2U) << "bar " << i;
    // 0.15° is one step and a half of the search.
    EXPECT_NEAR(YawDeg(view, found[i]), kYaw_deg[i], 0.15) << "bar " << i << ", " << width_mm;
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
