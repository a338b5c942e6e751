// The views of the harp: what is grabbed stays under the cursor, and a photo's view is the photo's.
#include "viewer/view_3d.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <numbers>

#include "tests/sample_visit.hpp"
#include "viewer/photo_overlay.hpp"
#include "viewer/photo_zoom.hpp"

namespace tinesight {
namespace {

using Eigen::Vector2d;
using Eigen::Vector3d;

constexpr double kRoundingPx = 1e-8;
const Vector2d kArea(800.0, 500.0);

View3d SomeView() { return LookAt(Vector3d(-40, -160, -260), Vector3d(30, 0, -40), true); }

TEST(View3d, RayAndProjectionAreInverse) {
  const View3d view = SomeView();
  const Vector2d cursor(123.0, 456.0);
  const Vector3d point = view.EyeMm() + 77.0 * view.Ray(cursor, kArea);
  EXPECT_LE((view.Project(point, kArea).value() - cursor).norm(), kRoundingPx);
}

TEST(View3d, PointsBehindTheEyeAreNotProjected) {
  const View3d view = SomeView();
  EXPECT_FALSE(view.Project(view.EyeMm() - view.Ray({400, 250}, kArea), kArea));
}

TEST(View3d, ClipMatrixPutsPointsWhereProjectionDoes) {
  View3d view = SomeView();
  view.shift = Vector2d(0.07, -0.03);
  const Vector3d point(12, 3, -20);
  const Eigen::Vector4d clip = view.ClipFromHarp(kArea, 1.0, 2000.0) * point.homogeneous();
  const Vector2d screen(0.5 * kArea.x() * (1.0 + clip.x() / clip.w()),
                        0.5 * kArea.y() * (1.0 - clip.y() / clip.w()));
  EXPECT_LE((screen - view.Project(point, kArea).value()).norm(), kRoundingPx);
  EXPECT_LE(std::abs(clip.z() / clip.w()), 1.0);
}

TEST(Orbit, KeepsThePivotOnTheScreenAndItsDistance) {
  View3d view = SomeView();
  const Vector3d pivot(55, 2, -90);
  const Vector2d before = view.Project(pivot, kArea).value();
  const double distance = (view.EyeMm() - pivot).norm();
  for (int i = 0; i < 50; ++i) Orbit(view, pivot, 0.13, 0.07);
  EXPECT_LE((view.Project(pivot, kArea).value() - before).norm(), 1e-6);
  EXPECT_NEAR((view.EyeMm() - pivot).norm(), distance, 1e-6);
}

TEST(Orbit, GoesOverThePolesWithoutSticking) {
  View3d view = SomeView();
  const Vector3d pivot(30, 0, -40);
  // A full turn in small steps comes back to where it began; at a pole that stuck it would not.
  const Eigen::Matrix4d before = view.camera_from_harp.matrix();
  constexpr int kSteps = 360;
  for (int i = 0; i < kSteps; ++i) Orbit(view, pivot, 0.0, 2.0 * std::numbers::pi / kSteps);
  EXPECT_LE((view.camera_from_harp.matrix() - before).norm(), 1e-6);
}

TEST(Pan, BringsWhatWasGrabbedToTheCursor) {
  View3d view = SomeView();
  const Vector3d grabbed(10, -2, -5);
  Pan(view, grabbed, {111.0, 222.0}, kArea);
  EXPECT_LE((view.Project(grabbed, kArea).value() - Vector2d(111.0, 222.0)).norm(), kRoundingPx);
}

TEST(Zoom, KeepsWhatIsUnderTheCursorThere) {
  View3d view = SomeView();
  const Vector3d target(70, 1, -30);
  const Vector2d before = view.Project(target, kArea).value();
  const double distance = (view.EyeMm() - target).norm();
  Zoom(view, target, 1.5);
  EXPECT_LE((view.Project(target, kArea).value() - before).norm(), kRoundingPx);
  EXPECT_NEAR((view.EyeMm() - target).norm(), distance / 1.5, 1e-9);
}

TEST(Zoom, NeverGoesThroughTheTarget) {
  View3d view = SomeView();
  const Vector3d target(70, 1, -30);
  for (int i = 0; i < 200; ++i) Zoom(view, target, 2.0, 8.0);
  EXPECT_NEAR((view.EyeMm() - target).norm(), 8.0, 1e-6);
}

TEST(FrameSphere, HasTheWholeSphereInViewAndNotMuchElse) {
  View3d view = SomeView();
  const Vector3d center(100, 0, -60);
  FrameSphere(view, center, 50.0, kArea);
  double farthest = 0.0;
  for (int i = 0; i < 100; ++i) {
    const double a = 0.1 * i;
    const double b = 0.37 * i;
    const Vector3d rim(std::cos(a) * std::cos(b), std::sin(b), std::sin(a) * std::cos(b));
    const Vector2d p = view.Project(center + 50.0 * rim, kArea).value();
    EXPECT_TRUE((p.array() >= 0.0).all() && (p.array() <= kArea.array()).all()) << p.transpose();
    farthest = std::max(farthest, std::abs(p.y() - 250.0));
  }
  EXPECT_GE(farthest, 200.0);
}

TEST(ViewOfPhoto, ProjectsTheHarpWhereThePhotoShowsIt) {
  const PhotoMeasurement photo = SamplePhoto();
  const Vector2d size(photo.camera.width_px, photo.camera.height_px);
  const PhotoZoom zoom = FitPhoto(size, kArea);
  const View3d view =
      ViewOfPhoto(photo.camera, photo.camera_from_harp, zoom.scale, zoom.origin_px, kArea);
  for (const Vector3d& point :
       {Vector3d(0, 0, 0), Vector3d(13.7, 1.0, -80.0), Vector3d(40, -3, 5)}) {
    const Vector2d in_photo = ProjectUndistorted(photo, point).value();
    EXPECT_LE((view.Project(point, kArea).value() - zoom.ToScreen(in_photo)).norm(), kRoundingPx);
  }
}

TEST(Between, IsExactAtBothEndsAndLooksAheadBetween) {
  const View3d a = SomeView();
  const View3d b = LookAt(Vector3d(200, -100, -200), Vector3d(100, 0, -30), true);
  EXPECT_EQ(Between(a, b, 0.0).camera_from_harp.matrix(), a.camera_from_harp.matrix());
  EXPECT_EQ(Between(a, b, 1.0).camera_from_harp.matrix(), b.camera_from_harp.matrix());
  const Eigen::Matrix3d middle = Between(a, b, 0.5).camera_from_harp.linear();
  EXPECT_LE((middle * middle.transpose() - Eigen::Matrix3d::Identity()).norm(), 1e-12);
}

TEST(LookAt, ShowsARaisedHarpTrebleRightAndPlayedUpDown) {
  const View3d view = LookAt(Vector3d(0, -50, -200), Vector3d(0, 0, 0), true);
  const Vector2d middle = view.Project({0, 0, 0}, kArea).value();
  EXPECT_GT(view.Project({10, 0, 0}, kArea).value().x(), middle.x());
  EXPECT_GT(view.Project({0, 10, 0}, kArea).value().y(), middle.y());
}

TEST(PhotoZoom, StaysOnThePixelUnderTheCursor) {
  const Vector2d size(4032, 3024);
  PhotoZoom zoom = FitPhoto(size, kArea);
  const Vector2d cursor(200.0, 340.0);
  const Vector2d pixel = zoom.ToPhoto(cursor);
  ZoomPhoto(zoom, cursor, 7.0, size, kArea);
  EXPECT_LE((zoom.ToPhoto(cursor) - pixel).norm(), kRoundingPx);
  EXPECT_LE((zoom.ToScreen(pixel) - cursor).norm(), kRoundingPx);
}

TEST(PhotoZoom, CannotLoseThePhoto) {
  const Vector2d size(4032, 3024);
  PhotoZoom zoom = FitPhoto(size, kArea);
  zoom.origin_px = Vector2d(1e6, -1e6);
  KeepInArea(zoom, size, kArea);
  EXPECT_LT(zoom.origin_px.x(), kArea.x());
  EXPECT_GT(zoom.origin_px.y() + zoom.scale * size.y(), 0.0);
}

}  // namespace
}  // namespace tinesight
