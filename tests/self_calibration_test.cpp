// Which photos --self-calibrate takes together, and what the others are told; without pictures: a
// photo here is its size and its EXIF.
#include "alignment/self_calibration.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <string>

#include "tests/temp_folder.hpp"
#include "vision/photo.hpp"

namespace tinesight {
namespace {

using ::testing::AllOf;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::Not;
using ::testing::SizeIs;
using ::testing::StartsWith;

Photo PhotoOf(const std::string& model, int width_px = 400, int height_px = 300) {
  Photo photo;
  photo.file = "a.jpg";
  photo.bgr = cv::Mat(height_px, width_px, CV_8UC3);
  if (!model.empty()) photo.exif.make = "Lumora";
  photo.exif.model = model;
  return photo;
}

/// The camera that was found from photos like this one.
Camera FoundFrom(const Photo& photo) { return GroupByCamera({photo}).front().signs; }

std::string Complaint(const Photo& photo, const Camera& found) {
  const auto same = CheckPhotoMatchesFound(photo, found);
  return same ? "" : same.error().message;
}

TEST(CamerasOfPhotos, LargestGroupComesFirstWhateverPhotoDoes) {
  const auto half_first = GroupByCamera({PhotoOf("5", 200, 150), PhotoOf("5"), PhotoOf("5")});
  ASSERT_THAT(half_first, SizeIs(2));
  EXPECT_THAT(half_first[0].photos, ElementsAre(1, 2));
  EXPECT_EQ(half_first[0].signs.width_px, 400);
  EXPECT_EQ(half_first[0].signs.height_px, 300);

  const auto other_phone_first = GroupByCamera({PhotoOf("6"), PhotoOf("5"), PhotoOf("5")});
  ASSERT_THAT(other_phone_first, SizeIs(2));
  EXPECT_THAT(other_phone_first[0].photos, ElementsAre(1, 2));
  EXPECT_EQ(other_phone_first[0].signs.exif->model, "5");
}

TEST(CamerasOfPhotos, OfEquallyManyTheLargerPicturesComeFirst) {
  const auto groups = GroupByCamera({PhotoOf("5", 200, 150), PhotoOf("5")});
  ASSERT_THAT(groups, SizeIs(2));
  EXPECT_THAT(groups[0].photos, ElementsAre(1));
}

TEST(CamerasOfPhotos, OfEquallyManyOfOneSizeTheEarlierComeFirst) {
  const auto groups = GroupByCamera({PhotoOf("5"), PhotoOf("6")});
  ASSERT_THAT(groups, SizeIs(2));
  EXPECT_THAT(groups[0].photos, ElementsAre(0));
}

TEST(CamerasOfPhotos, APhotoWithoutExifDoesNotBringTwoPhonesTogether) {
  const auto groups = GroupByCamera({PhotoOf(""), PhotoOf("5"), PhotoOf("6")});
  ASSERT_THAT(groups, SizeIs(2));
  EXPECT_THAT(groups[0].photos, ElementsAre(0, 1));
  EXPECT_EQ(groups[0].signs.exif->model, "5");  // as far as any of them says
  EXPECT_THAT(groups[1].photos, ElementsAre(2));
}

TEST(CamerasOfPhotos, APhoneHeldTheOtherWayUpIsAGroupOfItsOwn) {
  // What belongs to the sensor is turned in its picture.
  Photo turned = PhotoOf("5");
  turned.exif.orientation = 3;
  const auto groups = GroupByCamera({turned, PhotoOf("5"), PhotoOf("5")});
  ASSERT_THAT(groups, SizeIs(2));
  EXPECT_THAT(groups[0].photos, ElementsAre(1, 2));
  EXPECT_EQ(groups[1].signs.exif_orientation, 3);
}

TEST(CamerasOfPhotos, NoPhotosAreNoGroup) { EXPECT_THAT(GroupByCamera({}), IsEmpty()); }

TEST(FoundCamera, TakesPhotosLikeThoseItWasFoundFrom) {
  const Camera found = FoundFrom(PhotoOf("5"));
  EXPECT_EQ(Complaint(PhotoOf("5"), found), "");
  EXPECT_EQ(Complaint(PhotoOf(""), found), "");
}

TEST(FoundCamera, RefusesOthersInWordsThatNeedNoCalibration) {
  const Camera found = FoundFrom(PhotoOf("5"));
  const auto in_plain_words =
      AllOf(StartsWith("a.jpg: "), HasSubstr("apart"), Not(HasSubstr("calibration is")));
  EXPECT_THAT(Complaint(PhotoOf("5", 64, 48), found),
              AllOf(in_plain_words, HasSubstr("64×48 px"), HasSubstr("400×300 px")));
  EXPECT_THAT(Complaint(PhotoOf("6"), found), AllOf(in_plain_words, HasSubstr("another phone")));
  // Another phone explains another size.
  EXPECT_THAT(Complaint(PhotoOf("6", 64, 48), found),
              AllOf(in_plain_words, HasSubstr("another phone")));
}

TEST(FoundCamera, TellsADigitalZoom) {
  Photo zoomed = PhotoOf("5");
  zoomed.exif.digital_zoom = 2.0;
  EXPECT_THAT(Complaint(zoomed, FoundFrom(PhotoOf("5"))), HasSubstr("digital zoom of 2"));
}

TEST(SelfCalibrate, LeavesUnreadablePhotosToMeasuring) {
  const testing::TempFolder folder;
  MeasureRequest request;
  request.photos = {folder.Write("text.jpg", "not a picture")};
  EXPECT_TRUE(SelfCalibrate(request));
  EXPECT_FALSE(request.self_calibrated);
}

}  // namespace
}  // namespace tinesight
