#include "record/annotated_photo.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

#include "calibration/file_io.hpp"
#include "tests/sample_visit.hpp"
#include "tests/temp_folder.hpp"

namespace tinesight {
namespace {

const cv::Scalar kGrayBgr(110, 110, 110);
const cv::Vec3b kRingBgr(0x42, 0xE4, 0xF0);
const cv::Vec3b kFoundBgr(0x00, 0x9F, 0xE6);

cv::Mat Blank() { return {900, 1200, CV_8UC3, kGrayBgr}; }

bool Near(const cv::Vec3b& a, const cv::Vec3b& b, double tolerance) {
  return cv::norm(cv::Vec3d(a) - cv::Vec3d(b)) <= tolerance;
}

// Whether a pixel within 1 px of the place has the color (anti-aliasing may tint it a little).
bool HasColorAt(const cv::Mat& picture, const Eigen::Vector2d& place_px, const cv::Vec3b& color) {
  for (int y = static_cast<int>(std::ceil(place_px.y() - 1.0)); y <= place_px.y() + 1.0; ++y) {
    for (int x = static_cast<int>(std::ceil(place_px.x() - 1.0)); x <= place_px.x() + 1.0; ++x) {
      if (Near(picture.at<cv::Vec3b>(y, x), color, 60.0)) return true;
    }
  }
  return false;
}

Eigen::Vector2d Projected(const PhotoMeasurement& photo, const Eigen::Vector3d& harp_mm) {
  return photo.camera.Project(photo.camera_from_harp * harp_mm);
}

TEST(AnnotatePhoto, DrawsTheTargetRingWherePoleTipsProject) {
  const VisitMeasurement visit = SampleVisit();
  const auto picture = AnnotatePhoto(Blank(), visit.photos[0], visit, SampleProfile());
  ASSERT_TRUE(picture) << picture.error().message;
  ASSERT_EQ(picture->size(), cv::Size(1200, 900));
  for (const NoteMeasurement& note : visit.notes) {
    if (!note.lateral_mm) continue;
    int colored = 0;
    constexpr int kPlaces = 36;
    for (int i = 0; i < kPlaces; ++i) {
      const double angle = 2.0 * M_PI * i / kPlaces;
      const Eigen::Vector2d on_ring = Projected(
          visit.photos[0],
          note.pickup_harp_mm + 0.5 * note.pole_tip_diameter_mm *
                                    Eigen::Vector3d(std::cos(angle), std::sin(angle), 0.0));
      colored += HasColorAt(*picture, on_ring, kRingBgr) ? 1 : 0;
    }
    EXPECT_EQ(colored, kPlaces) << note.name;
    EXPECT_FALSE(HasColorAt(
        *picture, Projected(visit.photos[0], note.pickup_harp_mm - Eigen::Vector3d(0.0, 4.0, 0.0)),
        kRingBgr))
        << "the ring's color is everywhere";
  }
}

TEST(AnnotatePhoto, CentersTheRingToAQuarterOfAPixel) {
  // Half a pixel between Cairo's and our pixel convention would show here.
  const VisitMeasurement visit = SampleVisit();
  const auto picture = AnnotatePhoto(Blank(), visit.photos[0], visit, SampleProfile());
  ASSERT_TRUE(picture);
  const NoteMeasurement& note = visit.notes[0];
  const Eigen::Vector2d center = Projected(visit.photos[0], note.pickup_harp_mm);
  double left = 1e9;
  double right = -1e9;
  // Sub-pixel extent of the ring along its middle row, by weight of the ring's green over gray.
  const int y = static_cast<int>(std::lround(center.y()));
  double sum[2] = {};
  double weight[2] = {};
  for (int x = static_cast<int>(center.x()) - 20; x <= static_cast<int>(center.x()) + 20; ++x) {
    const cv::Vec3b pixel = picture->at<cv::Vec3b>(y, x);
    const double w = std::max(0.0, (pixel[2] - 120.0) / 120.0) * (pixel[0] < 100 ? 1.0 : 0.0);
    const int side = x < center.x() ? 0 : 1;
    sum[side] += w * x;
    weight[side] += w;
  }
  ASSERT_GT(weight[0], 0.5);
  ASSERT_GT(weight[1], 0.5);
  left = sum[0] / weight[0];
  right = sum[1] / weight[1];
  EXPECT_NEAR(0.5 * (left + right), center.x(), 0.25);
}

TEST(AnnotatePhoto, DrawsTheFoundAxisFromRootToTip) {
  const VisitMeasurement visit = SampleVisit();
  const auto picture = AnnotatePhoto(Blank(), visit.photos[0], visit, SampleProfile());
  ASSERT_TRUE(picture);
  for (const NoteMeasurement& note : visit.notes) {
    if (!note.lateral_mm) continue;
    for (const double part : {0.1, 0.3, 0.5, 0.7}) {
      const Eigen::Vector3d on_axis =
          note.root_harp_mm + part * (note.tip_harp_mm - note.root_harp_mm);
      EXPECT_TRUE(HasColorAt(*picture, Projected(visit.photos[0], on_axis), kFoundBgr))
          << note.name << " at " << part;
    }
  }
}

TEST(AnnotatePhoto, LeavesTheGivenPictureAlone) {
  const VisitMeasurement visit = SampleVisit();
  const cv::Mat given = Blank();
  ASSERT_TRUE(AnnotatePhoto(given, visit.photos[0], visit, SampleProfile()));
  EXPECT_EQ(cv::norm(given, Blank(), cv::NORM_INF), 0.0);
}

TEST(AnnotatePhoto, RefusesARefusedPhotoAndAnotherSize) {
  const VisitMeasurement visit = SampleVisit();
  EXPECT_FALSE(AnnotatePhoto(Blank(), visit.photos[1], visit, SampleProfile()));
  EXPECT_FALSE(
      AnnotatePhoto(cv::Mat(90, 120, CV_8UC3, kGrayBgr), visit.photos[0], visit, SampleProfile()));
}

TEST(AnnotatePhoto, TakesNotesBehindTheCameraAndFarOutsideThePicture) {
  VisitMeasurement visit = SampleVisit();
  visit.notes[0].pickup_harp_mm.z() = -900.0;
  visit.notes[1].root_harp_mm.x() = 1e6;
  visit.notes[2].tip_harp_mm = visit.notes[2].root_harp_mm;
  const auto picture = AnnotatePhoto(Blank(), visit.photos[0], visit, SampleProfile());
  EXPECT_TRUE(picture);
}

TEST(WriteJpeg, WritesAPictureWithoutExif) {
  const tinesight::testing::TempFolder folder;
  ASSERT_TRUE(WriteJpeg(Blank(), folder / "a.jpg"));
  EXPECT_EQ(cv::imread((folder / "a.jpg").string()).size(), cv::Size(1200, 900));
  EXPECT_EQ(ReadFileBytes(folder / "a.jpg")->find("Exif"), std::string::npos);
  EXPECT_EQ(folder.FileCount(), 1);
  const auto unwritable = WriteJpeg(Blank(), folder / "none" / "a.jpg");
  ASSERT_FALSE(unwritable);
  EXPECT_THAT(unwritable.error().message, ::testing::HasSubstr("a.jpg"));
}

}  // namespace
}  // namespace tinesight
