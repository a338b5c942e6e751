// Lines over the undistorted photo against the camera's own projection.
#include "viewer/photo_overlay.hpp"

#include <gtest/gtest.h>

#include "record/overlay_style.hpp"
#include "tests/sample_visit.hpp"
#include "viewer/verdict_look.hpp"

namespace tinesight {
namespace {

using Eigen::Vector2d;
using Eigen::Vector3d;

// A position of the undistorted picture back into the photo as taken.
Vector2d AsTaken(const Camera& camera, const Vector2d& undistorted_px) {
  return camera.Project(Vector3d((undistorted_px.x() - camera.cx_px) / camera.fx_px,
                                 (undistorted_px.y() - camera.cy_px) / camera.fy_px, 1.0));
}

TEST(PhotoOverlay, AgreesWithTheDistortedProjection) {
  const PhotoMeasurement photo = SamplePhoto();
  const VisitMeasurement visit = SampleVisit();
  const InstrumentProfile profile = SampleProfile();
  const NoteMeasurement& note = visit.notes[1];
  const auto overlay = OverlayOf(photo, note, profile.Find(note.midi));
  ASSERT_TRUE(overlay);
  const auto project = [&](const Vector3d& p) {
    return photo.camera.Project(photo.camera_from_harp * p);
  };
  constexpr double kRoundingPx = 1e-9;
  EXPECT_LE((AsTaken(photo.camera, overlay->found[0]) - project(note.root_harp_mm)).norm(),
            kRoundingPx);
  EXPECT_LE((AsTaken(photo.camera, overlay->found[1]) - project(note.tip_harp_mm)).norm(),
            kRoundingPx);
  EXPECT_LE((AsTaken(photo.camera, overlay->pickup) - project(note.pickup_harp_mm)).norm(),
            kRoundingPx);
  EXPECT_LE((AsTaken(photo.camera, overlay->ideal[1]) -
             project(note.pickup_harp_mm + Vector3d(0, 1.2, 0)))
                .norm(),
            kRoundingPx);
}

TEST(PhotoOverlay, ArrowIsTheOffsetAndTenTimesAsLongOnDemand) {
  const PhotoMeasurement photo = SamplePhoto();
  const VisitMeasurement visit = SampleVisit();
  const auto overlay = OverlayOf(photo, visit.notes[1], nullptr);
  ASSERT_TRUE(overlay);
  // 0.9 mm at about 420 mm with 3000 px of focal length; perspective bends the factor 10 a little.
  const double length = (overlay->offset[1] - overlay->offset[0]).norm();
  EXPECT_NEAR(length, 0.9 * 3000.0 / 420.0, 0.4);
  EXPECT_NEAR((overlay->magnified[1] - overlay->magnified[0]).norm() / length, 10.0, 0.2);
  EXPECT_LE((overlay->offset[1] - overlay->prolonged[1]).norm(), 1e-9);
}

TEST(PhotoOverlay, EdgesStandOneDiameterApart) {
  const PhotoMeasurement photo = SamplePhoto();
  const VisitMeasurement visit = SampleVisit();
  const NoteMeasurement& note = visit.notes[0];
  const auto overlay = OverlayOf(photo, note, nullptr);
  ASSERT_TRUE(overlay);
  const double depth = (photo.camera_from_harp * note.tip_harp_mm).z();
  EXPECT_NEAR(overlay->tine_width_px, 1.9 * 3000.0 / depth, 0.02 * 1.9 * 3000.0 / depth);
  const Vector2d middle = 0.5 * (overlay->edges[0][1] + overlay->edges[1][1]);
  EXPECT_LE((middle - overlay->found[1]).norm(), 1.0);
}

TEST(PhotoOverlay, LeavesOutWhatWasNotMeasuredOrIsNotInView) {
  const VisitMeasurement visit = SampleVisit();
  EXPECT_EQ(OverlaysOf(visit.photos[0], visit, nullptr).size(), 3U);
  EXPECT_TRUE(OverlaysOf(visit.photos[1], visit, nullptr).empty());
  NoteMeasurement behind = visit.notes[0];
  for (Vector3d* p : {&behind.root_harp_mm, &behind.tip_harp_mm, &behind.pickup_harp_mm}) {
    p->z() -= 2000.0;
  }
  EXPECT_FALSE(OverlayOf(visit.photos[0], behind, nullptr));
}

TEST(PhotoOverlay, FindsTheNoteUnderTheCursor) {
  const VisitMeasurement visit = SampleVisit();
  const auto overlays = OverlaysOf(visit.photos[0], visit, nullptr);
  const Vector2d on_f2 = 0.5 * (overlays[1].found[0] + overlays[1].found[1]);
  EXPECT_EQ(NoteAt(overlays, on_f2 + Vector2d(3, 0), 8.0), 41);
  EXPECT_EQ(NoteAt(overlays, on_f2 + Vector2d(0, 2000), 8.0), 0);
}

TEST(PhotoOverlay, OffersOnlyPhotosThatWereUsedAndShowTheNote) {
  const VisitMeasurement visit = SampleVisit();
  EXPECT_EQ(PhotosOfNote(visit, 41), std::vector<std::size_t>{0});
  EXPECT_TRUE(PhotosOfNote(visit, 90).empty());
}

// The window and the annotated photos must not tell a verdict by different shapes or hues.
TEST(VerdictLook, IsThatOfTheAnnotatedPhotos) {
  const auto shape = [](MarkShape s) { return static_cast<int>(s); };
  for (const Verdict verdict : {Verdict::kInTolerance, Verdict::kOutOfTolerance,
                                Verdict::kUncertain, Verdict::kNotMeasured}) {
    const VerdictStyle window = StyleOf(verdict);
    const VerdictLook photo = LookOf(verdict);
    const Color color = Rgb(window.on_dark);
    EXPECT_EQ(color.red, photo.color.red);
    EXPECT_EQ(color.green, photo.color.green);
    EXPECT_EQ(color.blue, photo.color.blue);
    const int expected = window.shape == VerdictShape::kDisc       ? shape(MarkShape::kDisc)
                         : window.shape == VerdictShape::kDiamond  ? shape(MarkShape::kDiamond)
                         : window.shape == VerdictShape::kTriangle ? shape(MarkShape::kTriangle)
                                                                   : shape(MarkShape::kCross);
    EXPECT_EQ(expected, shape(photo.shape));
  }
}

}  // namespace
}  // namespace tinesight
