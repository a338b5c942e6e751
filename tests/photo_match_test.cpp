#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "tests/temp_folder.hpp"
#include "vision/photo.hpp"

namespace tinesight {
namespace {

using ::testing::AllOf;
using ::testing::HasSubstr;
using ::testing::Not;

Camera PhoneCamera() {
  Camera camera;
  camera.width_px = 400;
  camera.height_px = 300;
  camera.exif = CameraExif{"Example", "Phone 1", "Main", 6.86};
  return camera;
}

Photo PhonePhoto(int width_px = 400, int height_px = 300) {
  Photo photo;
  photo.file = "folder/a.jpg";
  photo.bgr = cv::Mat(height_px, width_px, CV_8UC3, cv::Scalar());
  photo.exif.make = "Example";
  photo.exif.model = "Phone 1";
  photo.exif.lens = "Main";
  photo.exif.focal_length_mm = 6.86;
  return photo;
}

std::string Refusal(const Photo& photo, const Camera& camera = PhoneCamera()) {
  const auto matches = CheckPhotoMatchesCamera(photo, camera);
  EXPECT_FALSE(matches);
  if (matches) return {};
  testing::ExpectOneLine(matches.error().message);
  EXPECT_THAT(matches.error().message, HasSubstr("folder/a.jpg"));
  return matches.error().message;
}

TEST(CheckPhotoMatchesCamera, TakesAPhotoOfTheSameCamera) {
  EXPECT_TRUE(CheckPhotoMatchesCamera(PhonePhoto(), PhoneCamera()));
}

TEST(CheckPhotoMatchesCamera, TakesUnknownForNeitherEqualNorDifferent) {
  Photo bare = PhonePhoto();
  bare.exif = {};
  EXPECT_TRUE(CheckPhotoMatchesCamera(bare, PhoneCamera()));
  Camera any = PhoneCamera();
  any.exif.reset();
  EXPECT_TRUE(CheckPhotoMatchesCamera(PhonePhoto(), any));
  any.exif = CameraExif{};
  EXPECT_TRUE(CheckPhotoMatchesCamera(PhonePhoto(), any));
}

TEST(CheckPhotoMatchesCamera, OverlooksCaseZoomOfOneAndRounding) {
  Photo photo = PhonePhoto();
  photo.exif.make = "EXAMPLE";
  photo.exif.digital_zoom = 1.0;
  photo.exif.focal_length_mm = 6.9;  // 0.6 % off
  EXPECT_TRUE(CheckPhotoMatchesCamera(photo, PhoneCamera()));
}

TEST(CheckPhotoMatchesCamera, ExplainsAnotherSize) {
  EXPECT_THAT(Refusal(PhonePhoto(300, 400)),
              AllOf(HasSubstr("turned by 90°"), HasSubstr("300×400"), HasSubstr("400×300")));
  EXPECT_THAT(Refusal(PhonePhoto(200, 150)), HasSubstr("scaled down"));
  EXPECT_THAT(Refusal(PhonePhoto(800, 600)), HasSubstr("another resolution"));
  EXPECT_THAT(Refusal(PhonePhoto(400, 225)),
              AllOf(HasSubstr("400×225"), HasSubstr("uncropped"), Not(HasSubstr("scaled"))));
}

TEST(CheckPhotoMatchesCamera, NamesBothPhonesWhereTheyDiffer) {
  Photo photo = PhonePhoto();
  photo.exif.model = "Phone 2";
  EXPECT_THAT(Refusal(photo),
              HasSubstr("taken with Example Phone 2, the calibration is for Example Phone 1"));
  photo = PhonePhoto(800, 600);
  photo.exif.make = "Other";
  EXPECT_THAT(Refusal(photo), AllOf(HasSubstr("Other Phone 1"), HasSubstr("size differs too")));
}

TEST(CheckPhotoMatchesCamera, RefusesAnotherLensAnotherFocalLengthAndZoom) {
  Photo photo = PhonePhoto();
  photo.exif.lens = "Wide";
  EXPECT_THAT(Refusal(photo), AllOf(HasSubstr("\"Wide\""), HasSubstr("\"Main\"")));
  photo = PhonePhoto();
  photo.exif.focal_length_mm = 6.86 * 1.021;
  EXPECT_THAT(Refusal(photo), AllOf(HasSubstr("7.004 mm"), HasSubstr("6.86 mm")));
  photo.exif.focal_length_mm = 6.86 * 1.019;
  EXPECT_TRUE(CheckPhotoMatchesCamera(photo, PhoneCamera()));
  photo = PhonePhoto();
  photo.exif.digital_zoom = 1.97;
  EXPECT_THAT(Refusal(photo), HasSubstr("digital zoom of 1.97"));
}

}  // namespace
}  // namespace tinesight
