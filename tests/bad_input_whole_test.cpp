// What the command says to photos and files that it can't use: one clear line for each, the right
// exit status, the good photo measured all the same, and no half-written file.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cstdio>
#include <fstream>
#include <nlohmann/json.hpp>
#include <opencv2/core.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <sstream>
#include <string>
#include <vector>

#include "calibration/camera.hpp"
#include "calibration/rig.hpp"
#include "tests/photo_files.hpp"
#include "tests/run_command.hpp"
#include "tests/sample_truth.hpp"
#include "tests/temp_folder.hpp"

namespace tinesight {
namespace {

using ::testing::AllOf;
using testing::Contents;
using ::testing::HasSubstr;
using testing::kSamples;
using ::testing::StartsWith;

const std::filesystem::path kGoodPhoto = kSamples / "harp" / "r2_left.jpg";

std::vector<std::string> Lines(const std::string& text) {
  std::vector<std::string> lines;
  std::istringstream stream(text);
  for (std::string line; std::getline(stream, line);) lines.push_back(line);
  return lines;
}

/// What `measure` wrote of a note, as text, to compare two results in full.
std::string NotesOf(const std::filesystem::path& json) {
  return nlohmann::json::parse(Contents(json))["notes"].dump();
}

class BadInput : public ::testing::Test {
 protected:
  // Camera and rig as they really are: what is tested here is not their calibration.
  void SetUp() override {
    ASSERT_TRUE(std::filesystem::exists(kGoodPhoto)) << kGoodPhoto << " is missing";
    std::filesystem::copy_file(kGoodPhoto, folder_ / "good.jpg");
    std::filesystem::copy_file(kSamples / "truth" / "camera.json", folder_ / "camera.json");
    std::filesystem::copy_file(kSamples / "instrument.json", folder_ / "instrument.json");
    ASSERT_TRUE(WriteRig(testing::TrueRig(0.03), folder_ / "rig.json"));
  }

  [[nodiscard]] cv::Mat GoodPicture() const {
    // The sensor's own rows and columns: EXIF is not looked at.
    return cv::imread((folder_ / "good.jpg").string(),
                      cv::IMREAD_COLOR | cv::IMREAD_IGNORE_ORIENTATION);
  }

  void WriteJpeg(const std::string& name, const cv::Mat& picture) const {
    folder_.Write(name, testing::Encoded(picture, ".jpg", {cv::IMWRITE_JPEG_QUALITY, 95}));
  }

  [[nodiscard]] CommandOutcome Measure(const std::string& arguments,
                                       const std::string& instrument = "instrument.json") const {
    return RunTinesight("measure " + arguments + " --camera camera.json --rig rig.json" +
                            " --damper harp-raised --instrument " + instrument,
                        folder_.Path());
  }

  /// Measures the bad photo beside the good one: one line that says all of `says`, exit status 1,
  /// the good photo's notes exactly as it alone gives them, and no file but the JSON.
  void ExpectRefusedBesideAGoodOne(const std::string& bad, const std::vector<std::string>& says,
                                   const std::string& options = "") const {
    SCOPED_TRACE(bad);
    const std::size_t files = folder_.FileCount();
    const CommandOutcome outcome = Measure("good.jpg " + bad + " --json out.json " + options);
    EXPECT_EQ(outcome.status, 1);
    const std::vector<std::string> lines = Lines(outcome.err);
    ASSERT_EQ(lines.size(), 1U) << outcome.err;
    EXPECT_THAT(lines[0], StartsWith("tinesight: " + bad + ": "));
    for (const std::string& word : says) EXPECT_THAT(lines[0], HasSubstr(word));
    ASSERT_TRUE(std::filesystem::exists(folder_ / "out.json"));
    EXPECT_EQ(folder_.FileCount(), files + 1);
    if (!std::filesystem::exists(alone_ / "good.json")) {
      const CommandOutcome good =
          Measure("good.jpg --json '" + (alone_ / "good.json").string() + "' " + options);
      ASSERT_EQ(good.status, 0) << good.err;
    }
    EXPECT_EQ(NotesOf(folder_ / "out.json"), NotesOf(alone_ / "good.json"));
    std::filesystem::remove(folder_ / "out.json");
  }

  testing::TempFolder folder_;
  testing::TempFolder alone_;
};

TEST_F(BadInput, NoRigInThePicture) {
  cv::Mat picture(3024, 4032, CV_8UC3);
  cv::randu(picture, cv::Scalar::all(40), cv::Scalar::all(200));
  cv::GaussianBlur(picture, picture, {}, 6.0);
  for (int i = 0; i < 40; ++i) {
    cv::circle(picture, {100 + 97 * i, 400 + 61 * i}, 60, cv::Scalar(230, 230, 20 + 5 * i), -1);
  }
  WriteJpeg("bench.jpg", picture);
  ExpectRefusedBesideAGoodOne("bench.jpg", {"0 ", "tags"});
}

TEST_F(BadInput, OneBarOnly) {
  // The mount bar, where it really is in this photo, painted gray.
  const nlohmann::json truth = testing::ReadTruth("r2_left");
  const Eigen::Isometry3d camera_from_rig = testing::ToTransform(truth["camera_from_rig"]);
  folder_.Write("photo_camera.json", truth["camera"].dump());
  const auto camera = ReadCamera(folder_ / "photo_camera.json");
  ASSERT_TRUE(camera);
  std::filesystem::remove(folder_ / "photo_camera.json");
  std::vector<cv::Point> outline;
  for (const RigTag& tag : testing::TrueRig(0.03).tags) {
    if (tag.id < kMountBar.first_id) continue;
    for (const Eigen::Vector3d& corner : tag.corners_mm) {
      const Eigen::Vector3d wider = tag.CenterMm() + 1.4 * (corner - tag.CenterMm());
      const Eigen::Vector2d px = camera->Project(camera_from_rig * wider);
      outline.emplace_back(static_cast<int>(px.x()), static_cast<int>(px.y()));
    }
  }
  std::vector<cv::Point> hull;
  cv::convexHull(outline, hull);
  cv::Mat picture = GoodPicture();
  cv::fillConvexPoly(picture, hull, cv::Scalar::all(110));
  WriteJpeg("one_bar.jpg", picture);
  ExpectRefusedBesideAGoodOne("one_bar.jpg", {"bar"});
}

TEST_F(BadInput, AnotherPhone) {
  std::string bytes = Contents(folder_ / "good.jpg");
  const std::string model("Handset 5", 10);  // with its end
  const std::size_t at = bytes.find(model);
  ASSERT_NE(at, std::string::npos);
  bytes[at + 8] = '6';
  folder_.Write("other.jpg", bytes);
  ExpectRefusedBesideAGoodOne("other.jpg", {"Handset 6", "Handset 5"});
}

TEST_F(BadInput, TurnedByAQuarter) {
  cv::Mat turned;
  cv::rotate(GoodPicture(), turned, cv::ROTATE_90_CLOCKWISE);
  WriteJpeg("quarter.jpg", turned);
  ExpectRefusedBesideAGoodOne("quarter.jpg", {"turned by 90°", "3024×4032"});
}

TEST_F(BadInput, TurnedByEditingUpsideDown) {
  // Turned without telling: the sensor's own lens no longer fits the picture.
  cv::Mat turned;
  cv::rotate(GoodPicture(), turned, cv::ROTATE_180);
  WriteJpeg("upside_down.jpg", turned);
  ExpectRefusedBesideAGoodOne("upside_down.jpg", {"upside down"});
}

TEST_F(BadInput, Mirrored) {
  cv::Mat mirrored;
  cv::flip(GoodPicture(), mirrored, 1);
  WriteJpeg("mirrored.jpg", mirrored);
  ExpectRefusedBesideAGoodOne("mirrored.jpg", {"mirrored"});
}

TEST_F(BadInput, TruncatedAndDamagedJpegs) {
  const std::string bytes = Contents(folder_ / "good.jpg");
  folder_.Write("half.jpg", bytes.substr(0, bytes.size() / 2));
  ExpectRefusedBesideAGoodOne("half.jpg", {"damaged or truncated"});
  folder_.Write("last_bytes.jpg", bytes.substr(0, bytes.size() - 40));
  ExpectRefusedBesideAGoodOne("last_bytes.jpg", {"damaged or truncated"});
  folder_.Write("empty.jpg", "");
  ExpectRefusedBesideAGoodOne("empty.jpg", {"empty"});
}

TEST_F(BadInput, TextNamedLikeAPhotoAndAMissingOne) {
  folder_.Write("text.jpg", "Dear customer,\nthe piano is ready.\n");
  ExpectRefusedBesideAGoodOne("text.jpg", {"no picture"});
  ExpectRefusedBesideAGoodOne("gone.jpg", {"No such file"});
}

TEST_F(BadInput, PhotoOfAnotherRegisterThanFirstNoteSays) {
  // Nothing but this photo: --first-note is for all photos of a call.
  const std::size_t files = folder_.FileCount();
  const CommandOutcome outcome = Measure("good.jpg --first-note E5 --overlays pictures");
  EXPECT_EQ(outcome.status, 1);
  const std::vector<std::string> lines = Lines(outcome.err);
  ASSERT_FALSE(lines.empty());
  EXPECT_THAT(lines[0], AllOf(StartsWith("tinesight: good.jpg: "), HasSubstr("register card"),
                              HasSubstr("--first-note says E5")));
  EXPECT_LE(lines.size(), 2U) << outcome.err;  // and that no note could be measured
  EXPECT_LE(folder_.FileCount(), files + 1);   // the folder
}

TEST_F(BadInput, BadPhotosAloneGiveNoNotesAndNoOverlay) {
  folder_.Write("text.jpg", "no picture");
  const CommandOutcome outcome =
      Measure("text.jpg --record visits.tinerec --visit 'as found' --overlays pictures");
  EXPECT_EQ(outcome.status, 1);
  EXPECT_THAT(outcome.err, StartsWith("tinesight: text.jpg: "));
  EXPECT_FALSE(std::filesystem::exists(folder_ / "visits.tinerec"));
  EXPECT_FALSE(std::filesystem::exists(folder_ / "pictures" / "text_overlay.jpg"));
}

TEST_F(BadInput, AllKindsAtOnceGiveALineEach) {
  folder_.Write("text.jpg", "no picture");
  folder_.Write("half.jpg", Contents(folder_ / "good.jpg").substr(0, 500000));
  cv::Mat turned;
  cv::rotate(GoodPicture(), turned, cv::ROTATE_90_COUNTERCLOCKWISE);
  WriteJpeg("quarter.jpg", turned);
  const CommandOutcome outcome = Measure("text.jpg half.jpg good.jpg quarter.jpg --csv out.csv");
  EXPECT_EQ(outcome.status, 1);
  const std::vector<std::string> lines = Lines(outcome.err);
  ASSERT_EQ(lines.size(), 3U) << outcome.err;
  EXPECT_THAT(lines[0], StartsWith("tinesight: text.jpg: "));
  EXPECT_THAT(lines[1], StartsWith("tinesight: half.jpg: "));
  EXPECT_THAT(lines[2], StartsWith("tinesight: quarter.jpg: "));
  EXPECT_GT(Lines(Contents(folder_ / "out.csv")).size(), 10U);
}

TEST_F(BadInput, ProfileWithAMissingOrAbsurdValue) {
  const nlohmann::json good = nlohmann::json::parse(Contents(folder_ / "instrument.json"));
  struct Case {
    const char* key;
    nlohmann::json value;  // null: the key is left out
  };
  const std::vector<Case> cases = {{"tine_diameter_mm", nullptr},
                                   {"gap_mm", nullptr},
                                   {"tine_length_mm", -157.0},
                                   {"gap_mm", 1e6},
                                   {"height_mm", "high"},
                                   {"tolerance_lateral_mm", 0.0},
                                   {"midi", 400}};
  for (const Case& c : cases) {
    SCOPED_TRACE(std::string(c.key) + " " + c.value.dump());
    nlohmann::json bad = good;
    if (c.value.is_null()) {
      bad["notes"][0].erase(c.key);
    } else {
      bad["notes"][0][c.key] = c.value;
    }
    folder_.Write("bad.json", bad.dump());
    const std::size_t files = folder_.FileCount();
    const CommandOutcome outcome = Measure("good.jpg --json out.json --csv out.csv", "bad.json");
    EXPECT_EQ(outcome.status, 1);
    EXPECT_EQ(outcome.out, "");
    const std::vector<std::string> lines = Lines(outcome.err);
    ASSERT_EQ(lines.size(), 1U) << outcome.err;
    EXPECT_THAT(lines[0],
                AllOf(StartsWith("tinesight: "), HasSubstr("bad.json"), HasSubstr(c.key)));
    EXPECT_EQ(folder_.FileCount(), files);
  }
}

TEST_F(BadInput, UnwritableOutputIsToldBeforeAnythingIsMeasured) {
  // /proc takes no files from anyone, root included.
  for (const std::string output :
       {"--json /proc/out.json", "--csv /proc/out.csv", "--overlays /proc/pictures",
        "--overlays good.jpg/pictures", "--record /proc/v.tinerec --visit x"}) {
    SCOPED_TRACE(output);
    const std::size_t files = folder_.FileCount();
    const CommandOutcome outcome = Measure("good.jpg " + output);
    EXPECT_EQ(outcome.status, 1);
    EXPECT_EQ(outcome.out, "");
    const std::vector<std::string> lines = Lines(outcome.err);
    ASSERT_EQ(lines.size(), 1U) << outcome.err;
    EXPECT_THAT(lines[0], AllOf(StartsWith("tinesight: "), HasSubstr("cannot be written")));
    EXPECT_EQ(folder_.FileCount(), files);
  }
}

TEST_F(BadInput, WrongUsageIsStatus2) {
  EXPECT_EQ(Measure("").status, 2);
  EXPECT_EQ(Measure("good.jpg --damper sometimes").status, 2);
  EXPECT_EQ(Measure("good.jpg --first-note H1").status, 2);
  EXPECT_EQ(RunTinesight("measure good.jpg", folder_.Path()).status, 2);
}

TEST_F(BadInput, PhoneHeldTheOtherWayUpIsGoodInput) {
  // The same light on the same sensor, but the phone and its picture upside down, as EXIF
  // orientation 3 tells: the lens turns with the sensor, the result stays.
  nlohmann::json camera = nlohmann::json::parse(Contents(folder_ / "camera.json"));
  const cv::Mat upright = GoodPicture();
  cv::Mat turned;
  cv::rotate(upright, turned, cv::ROTATE_180);
  // A lossless format, so that both runs see the same pixels.
  folder_.Write("upright.jpg",
                testing::WithExif(testing::Encoded(upright, ".jpg", {1, 100}), {.orientation = 1}));
  folder_.Write("turned.jpg",
                testing::WithExif(testing::Encoded(turned, ".jpg", {1, 100}), {.orientation = 3}));
  ASSERT_EQ(Measure("upright.jpg --json upright.json").status, 0);
  // The camera as a phone would have it whose sensor is mounted the other way up.
  const double width = camera["width"];
  const double height = camera["height"];
  camera["cx"] = width - 1.0 - camera["cx"].get<double>();
  camera["cy"] = height - 1.0 - camera["cy"].get<double>();
  for (const std::size_t tangential : {2U, 3U}) {
    camera["distortion"][tangential] = -camera["distortion"][tangential].get<double>();
  }
  folder_.Write("camera.json", camera.dump());
  ASSERT_EQ(Measure("turned.jpg --json turned.json").status, 0);
  const nlohmann::json a = nlohmann::json::parse(Contents(folder_ / "upright.json"))["notes"];
  const nlohmann::json b = nlohmann::json::parse(Contents(folder_ / "turned.json"))["notes"];
  ASSERT_EQ(a.size(), b.size());
  int compared = 0;
  for (std::size_t i = 0; i < a.size(); ++i) {
    if (!a[i].contains("lateral_mm") || a[i]["lateral_mm"].is_null()) continue;
    ASSERT_TRUE(b[i].contains("lateral_mm") && b[i]["lateral_mm"].is_number()) << a[i].dump();
    // The JPEGs' rounding differs by a gray level here and there.
    const double u = a[i]["lateral_u_mm"];
    EXPECT_LE(std::abs(a[i]["lateral_mm"].get<double>() - b[i]["lateral_mm"].get<double>()),
              0.5 * u)
        << a[i]["name"];
    ++compared;
  }
  EXPECT_GE(compared, 15);
}

}  // namespace
}  // namespace tinesight
