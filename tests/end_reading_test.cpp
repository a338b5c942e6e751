#include "vision/end_reading.hpp"

#include <gtest/gtest.h>

#include <cmath>

#include "tests/detector_scene.hpp"

namespace tinesight {
namespace {

constexpr double kRadiusMm = 0.95;
constexpr double kSpanMm = 61.4;
constexpr double kHeightMm = 1.1;
constexpr double kPoleGray = 80.0;
constexpr double kEndless = -100.0;

/// A rod along z, `kHeightMm` below the middle of a pole's face at z = 0, which ends `gap_mm`
/// before it; behind the pole a dark flange, below all a ground.
PhotoView TipView(double gap_mm, double above_mm = 115.0) {
  PhotoView view = testing::DetectorView(40.0, above_mm);
  const Eigen::Vector3d eye = view.CameraCenterMm();
  testing::Render(view, 1.0, 2.0, [&](const Eigen::Vector3d& ray) {
    // Where the ray meets the rod's surface: x and y alone tell, as it runs along z.
    const Eigen::Vector2d d = ray.head<2>();
    const Eigen::Vector2d from = eye.head<2>() - Eigen::Vector2d(0.0, kHeightMm);
    const double middle = -from.dot(d) / d.squaredNorm();
    const double beside_mm = (from + middle * d).norm();
    if (beside_mm < kRadiusMm) {
      const double before =
          std::sqrt((kRadiusMm * kRadiusMm - beside_mm * beside_mm) / d.squaredNorm());
      const Eigen::Vector3d p = eye + (middle - before) * ray;
      const double t = p.x() / kRadiusMm;
      if (p.z() < -gap_mm) {
        return 95.0 + 45.0 * std::exp(-std::pow((t + 0.3) / 0.35, 2.0)) - 30.0 * t * t;
      }
    }
    const auto within = [&](double z, double radius) {
      const Eigen::Vector3d p = eye + ray * ((z - eye.z()) / ray.z());
      return std::hypot(p.x(), p.y()) < radius;
    };
    // A pole's face, then its flank down to the flange.
    if (within(0.0, 1.5)) return kPoleGray;
    for (double z = 0.1; z < 2.2; z += 0.1) {
      if (within(z, 1.5 + 0.2 * z)) return 0.6 * kPoleGray;
    }
    if (within(2.2, 6.8)) return 45.0;
    const Eigen::Vector3d p = eye + ray * ((9.0 - eye.y()) / ray.y());
    return 70.0 + 25.0 * std::sin(0.45 * p.z()) + 12.0 * std::sin(0.9 * p.x() + 1.0);
  });
  return view;
}

std::optional<EndPlace> Read(const PhotoView& view, double expected_mm) {
  const Straightened picture(
      view, {Eigen::Vector3d(0.0, kHeightMm, 0.0), -Eigen::Vector3d::UnitZ()}, -1.0, kSpanMm, 3.0);
  return ReadTip(picture, {2.0 * kRadiusMm, kSpanMm}, {0.0, 0.0}, expected_mm);
}

// Drawn flat, lit by no lamp, it errs more than on what it knows (end_reading_whole_test), and says
// so.
TEST(EndReading, FollowsTheEnd) {
  double before_mm = -1.0;
  for (const double gap_mm : {0.8, 1.6, 2.4}) {
    const auto tip = Read(TipView(gap_mm), 1.5);
    ASSERT_TRUE(tip) << gap_mm;
    EXPECT_NEAR(tip->along_mm, gap_mm, 2.0 * tip->sigma_mm);
    EXPECT_GT(tip->along_mm, before_mm + 0.4);
    before_mm = tip->along_mm;
  }
}

TEST(EndReading, DoesNotDependOnWhereTheEndIsExpected) {
  const PhotoView view = TipView(1.4);
  const auto near = Read(view, 1.4);
  ASSERT_TRUE(near);
  for (const double off_mm : {-2.0, 2.0}) {
    const auto far = Read(view, 1.4 + off_mm);
    ASSERT_TRUE(far) << off_mm;
    EXPECT_NEAR(far->along_mm, near->along_mm, 0.3) << off_mm;
  }
}

// Seen twice as steeply, the rim of the end lies half as far beyond the end of the axis.
TEST(EndReading, DoesNotDependOnHowSteeplyOneLooks) {
  const auto flat = Read(TipView(1.4, 100.0), 1.4);
  const auto steep = Read(TipView(1.4, 200.0), 1.4);
  ASSERT_TRUE(flat && steep);
  EXPECT_NEAR(flat->along_mm, steep->along_mm, 0.5);
}

TEST(EndReading, OfARodThatRunsOnIsNotSure) {
  const auto tip = Read(TipView(kEndless), 1.4);
  EXPECT_TRUE(!tip || tip->sigma_mm > 0.5) << tip->along_mm << " ± " << tip->sigma_mm;
}

TEST(EndReading, WhereNothingShowsThereIsNoEnd) {
  PhotoView view = TipView(1.4);
  view.bgr.setTo(cv::Scalar::all(90.0));
  const auto tip = Read(view, 1.4);
  EXPECT_TRUE(!tip || tip->sigma_mm > 0.5) << tip->along_mm << " ± " << tip->sigma_mm;
}

constexpr double kBlockTopMm = -3.5;  // over the tine
constexpr double kBlockHalfMm = 3.5;

/// A tine along z that comes out of its block at z = `edge_mm`, over a ground; the camera looks
/// from the mount, so that the block's top ends at the edge and the tine and the ground follow.
PhotoView BlockView(double edge_mm) {
  PhotoView view = testing::DetectorView(40.0, 115.0);
  const Eigen::Vector3d eye = view.CameraCenterMm();
  testing::Render(view, 1.0, 2.0, [&](const Eigen::Vector3d& ray) {
    const auto at_height = [&](double y) {
      return Eigen::Vector3d(eye + ray * ((y - eye.y()) / ray.y()));
    };
    const Eigen::Vector3d top = at_height(kBlockTopMm);
    if (std::abs(top.x()) < kBlockHalfMm && top.z() < edge_mm && top.z() > edge_mm - 12.0) {
      return 120.0 + 6.0 * std::sin(3.0 * top.x());
    }
    const Eigen::Vector3d tine = at_height(0.0);
    const double t = tine.x() / kRadiusMm;
    if (std::abs(t) < 1.0) {
      return 95.0 + 45.0 * std::exp(-std::pow((t + 0.3) / 0.35, 2.0)) - 30.0 * t * t;
    }
    const Eigen::Vector3d p = at_height(9.0);
    return 55.0 + 15.0 * std::sin(0.45 * p.z()) + 8.0 * std::sin(0.9 * p.x() + 1.0);
  });
  return view;
}

TEST(BlockEdgeReading, FollowsTheEdge) {
  const Eigen::Vector3d expected_mm(0.0, kBlockTopMm, 0.0);
  for (const double edge_mm : {-1.5, 0.0, 2.0}) {
    const auto edge = ReadBlockEdge(BlockView(edge_mm), expected_mm);
    ASSERT_TRUE(edge) << edge_mm;
    EXPECT_NEAR(edge->along_mm, edge_mm, 2.0 * edge->sigma_mm);
    EXPECT_NEAR(edge->along_mm, edge_mm, 0.3);
  }
}

// What is read is where the edge would be if it were as high as expected: one that is higher looks
// farther off, by the slope of the sight.
TEST(BlockEdgeReading, IsAsHighAsExpected) {
  const PhotoView view = BlockView(0.5);
  const Eigen::Vector3d sight = Eigen::Vector3d(0.0, kBlockTopMm, 0.5) - view.CameraCenterMm();
  constexpr double kTooLowMm = 0.6;
  const auto edge = ReadBlockEdge(view, {0.0, kBlockTopMm + kTooLowMm, 0.0});
  ASSERT_TRUE(edge);
  EXPECT_NEAR(edge->along_mm, 0.5 + kTooLowMm * sight.z() / sight.y(), 0.3);
}

TEST(BlockEdgeReading, WhereNothingShowsThereIsNoEdge) {
  PhotoView view = BlockView(0.0);
  view.bgr.setTo(cv::Scalar::all(90.0));
  const auto edge = ReadBlockEdge(view, {0.0, kBlockTopMm, 0.0});
  EXPECT_TRUE(!edge || edge->sigma_mm > 0.5) << edge->along_mm << " ± " << edge->sigma_mm;
}

}  // namespace
}  // namespace tinesight
