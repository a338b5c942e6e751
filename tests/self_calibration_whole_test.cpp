// --self-calibrate on the sample photos: no camera file, and still the camera of the truth and
// figures that agree with the calibrated ones. A photo that can't be used stops no other.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>
#include <opencv2/core.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

#include "alignment/self_calibration.hpp"
#include "calibration/camera.hpp"
#include "calibration/file_io.hpp"
#include "calibration/rig.hpp"
#include "tests/photo_files.hpp"
#include "tests/run_command.hpp"
#include "tests/sample_calibration.hpp"
#include "tests/sample_truth.hpp"
#include "tests/temp_folder.hpp"

namespace tinesight {
namespace {

using ::testing::AllOf;
using ::testing::HasSubstr;
using ::testing::Not;
using ::testing::StartsWith;

nlohmann::json Measure(const testing::TempFolder& folder, const std::string& arguments) {
  const auto outcome = RunTinesight(
      "measure '" + (testing::kSamples / "harp" / "r2_left.jpg").string() + "' '" +
          (testing::kSamples / "harp" / "r2_right.jpg").string() +
          "' --rig rig.json --instrument '" + (testing::kSamples / "instrument.json").string() +
          "' --json out.json " + arguments,
      folder.Path());
  EXPECT_EQ(outcome.status, 0) << outcome.err;
  const auto bytes = ReadFileBytes(folder.Path() / "out.json");
  return bytes ? nlohmann::json::parse(*bytes) : nlohmann::json();
}

TEST(SelfCalibration, MeasuresPhotosWithoutACameraFile) {
  const testing::TempFolder folder;
  std::string report;
  ASSERT_NO_FATAL_FAILURE(testing::CalibrateOnSamples(folder, report));
  const nlohmann::json own = Measure(folder, "--self-calibrate");
  const nlohmann::json calibrated = Measure(folder, "--camera camera.json");
  ASSERT_EQ(own["photos"].size(), 2U);
  for (const auto& photo : own["photos"]) {
    const std::string name = std::filesystem::path(photo["file"].get<std::string>()).stem();
    const double truth = testing::ReadTruth(name)["camera"]["fx"];
    EXPECT_NEAR(photo["camera"]["fx"].get<double>(), truth, 0.005 * truth) << name;
    EXPECT_NE(photo["warnings"].dump().find("without a calibration"), std::string::npos) << name;
  }
  ASSERT_EQ(own["notes"].size(), calibrated["notes"].size());
  int compared = 0;
  for (std::size_t i = 0; i < own["notes"].size(); ++i) {
    const auto& a = own["notes"][i];
    const auto& b = calibrated["notes"][i];
    if (!a.contains("lateral_mm") || !b.contains("lateral_mm")) continue;
    if (a["lateral_mm"].is_null() || b["lateral_mm"].is_null()) continue;
    ++compared;
    EXPECT_LT(std::abs(a["lateral_mm"].get<double>() - b["lateral_mm"].get<double>()),
              a["lateral_u_mm"].get<double>())
        << a["name"];
  }
  EXPECT_GE(compared, 20);
}

// Photos that can't be used, before or beside a good one. Only the camera is looked for, as
// measuring would take minutes; the last test measures.
class SelfCalibrationBesideBadPhotos : public ::testing::Test {
 protected:
  [[nodiscard]] static std::filesystem::path Good(const char* name) {
    return testing::kSamples / "harp" / name;
  }
  [[nodiscard]] static cv::Mat GoodPicture() { return cv::imread(Good("r3_left.jpg").string()); }

  /// As the sample phone would sign it, or another model of its maker.
  std::filesystem::path Write(const std::string& name, const cv::Mat& picture,
                              const std::string& model = "Handset 5") {
    return folder_.Write(name,
                         testing::WithExif(testing::Encoded(picture, ".jpg"),
                                           {.make = "Lumora", .model = model, .orientation = 1}));
  }
  std::filesystem::path WriteTiny() {
    return Write("tiny.jpg", cv::Mat(48, 64, CV_8UC3, cv::Scalar::all(90)));
  }
  std::filesystem::path WriteOtherPhone() {
    return Write("other.jpg", cv::Mat(3024, 4032, CV_8UC3, cv::Scalar::all(90)), "Handset 6");
  }

  /// What comes of it, and the camera in request_.
  Result<void> Find(const std::vector<std::filesystem::path>& photos, const Camera& camera = {}) {
    request_.photos = photos;
    request_.camera = camera;
    request_.rig = testing::TrueRig(0.03);
    return SelfCalibrate(request_);
  }
  void ExpectTheSamplesCamera() const {
    ASSERT_TRUE(request_.self_calibrated);
    EXPECT_EQ(request_.self_calibrated->width_px, 4032);
    EXPECT_EQ(request_.self_calibrated->exif->model, "Handset 5");
    const double truth = testing::ReadTruth("r3_left")["camera"]["fx"];
    // 3 %: where SelfCalibrate() itself gives up; how near it is, the test above says.
    EXPECT_NEAR(request_.self_calibrated->fx_px, truth, 0.03 * truth);
  }

  testing::TempFolder folder_;
  MeasureRequest request_;
};

TEST_F(SelfCalibrationBesideBadPhotos, TinyPhotoFirst) {
  const auto found = Find({WriteTiny(), Good("r3_left.jpg")});
  ASSERT_TRUE(found) << found.error().message;
  ExpectTheSamplesCamera();
}

TEST_F(SelfCalibrationBesideBadPhotos, PhotoOfAnotherPhoneWithoutTheRigFirst) {
  const auto found = Find({WriteOtherPhone(), Good("r3_left.jpg")});
  ASSERT_TRUE(found) << found.error().message;
  ExpectTheSamplesCamera();
}

TEST_F(SelfCalibrationBesideBadPhotos, ScaledCopyFirst) {
  cv::Mat half;
  cv::resize(GoodPicture(), half, {}, 0.5, 0.5, cv::INTER_AREA);
  const auto copy = Write("half.jpg", half);
  const auto found = Find({copy, Good("r3_left.jpg"), Good("r3_right.jpg")});
  ASSERT_TRUE(found) << found.error().message;
  ExpectTheSamplesCamera();
}

TEST_F(SelfCalibrationBesideBadPhotos, StrangerDoesNotStopACalibratedPhoto) {
  const auto camera = ReadCamera(testing::kSamples / "truth" / "camera.json");
  ASSERT_TRUE(camera);
  const auto found = Find({WriteOtherPhone(), Good("r3_left.jpg")}, *camera);
  EXPECT_TRUE(found) << found.error().message;
  EXPECT_FALSE(request_.self_calibrated);
}

TEST_F(SelfCalibrationBesideBadPhotos, MirroredPhotoAloneIsToldThatItIs) {
  cv::Mat mirrored;
  cv::flip(GoodPicture(), mirrored, 1);
  const auto file = Write("mirrored.jpg", mirrored);
  const auto found = Find({file});
  ASSERT_FALSE(found);
  EXPECT_THAT(found.error().message, AllOf(StartsWith(file.string() + ": "), HasSubstr("mirrored"),
                                           Not(HasSubstr("both bars"))));
}

TEST_F(SelfCalibrationBesideBadPhotos, TinyPhotoAloneIsToldInPlainWords) {
  const auto found = Find({WriteTiny()});
  ASSERT_FALSE(found);
  EXPECT_THAT(found.error().message,
              AllOf(HasSubstr("tiny.jpg: has only 64×48 px"), Not(HasSubstr("width_px"))));
}

TEST_F(SelfCalibrationBesideBadPhotos, EachIsRefusedInItsOwnLineAndTheGoodOneMeasured) {
  ASSERT_TRUE(WriteRig(testing::TrueRig(0.03), folder_ / "rig.json"));
  WriteTiny();
  WriteOtherPhone();
  const auto outcome =
      RunTinesight("measure tiny.jpg other.jpg '" + Good("r3_left.jpg").string() +
                       "' --self-calibrate --rig rig.json --instrument '" +
                       (testing::kSamples / "instrument.json").string() + "' --json out.json",
                   folder_.Path());
  EXPECT_EQ(outcome.status, 1);
  EXPECT_EQ(std::count(outcome.err.begin(), outcome.err.end(), '\n'), 2) << outcome.err;
  EXPECT_THAT(outcome.err, AllOf(StartsWith("tinesight: tiny.jpg: "), HasSubstr("64×48 px"),
                                 HasSubstr("\ntinesight: other.jpg: "), Not(HasSubstr("width_px")),
                                 Not(HasSubstr("the calibration is for"))));
  const auto bytes = ReadFileBytes(folder_ / "out.json");
  ASSERT_TRUE(bytes);
  const auto photos = nlohmann::json::parse(*bytes)["photos"];
  ASSERT_EQ(photos.size(), 3U);
  EXPECT_FALSE(photos[0]["used"].get<bool>());
  EXPECT_FALSE(photos[1]["used"].get<bool>());
  EXPECT_TRUE(photos[2]["used"].get<bool>());
}

}  // namespace
}  // namespace tinesight
