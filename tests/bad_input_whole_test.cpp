// What the command says to photos and files that it can't use: one clear line for each, the right
// exit status, the good photo measured all the same, and no half-written file.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cstdio>
#include <fstream>
#include <nlohmann/json.hpp>
#include <opencv2/aruco.hpp>
#include <opencv2/core.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <sstream>
#include <string>
#include <vector>

#include "alignment/note_name.hpp"
#include "calibration/camera.hpp"
#include "calibration/rig.hpp"
#include "calibration/strips.hpp"
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

std::string Jpeg(const cv::Mat& picture) {
  return testing::Encoded(picture, ".jpg", {cv::IMWRITE_JPEG_QUALITY, 95});
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

  [[nodiscard]] CommandOutcome Measure(const std::string& arguments,
                                       const std::string& instrument = "instrument.json") const {
    return RunTinesight("measure " + arguments + " --camera camera.json --rig rig.json" +
                            " --damper harp-raised --instrument " + instrument,
                        folder_.Path());
  }

  testing::TempFolder folder_;
};

/// A clear picture of something else.
cv::Mat BenchWithoutRig() {
  cv::Mat picture(3024, 4032, CV_8UC3);
  cv::randu(picture, cv::Scalar::all(40), cv::Scalar::all(200));
  cv::GaussianBlur(picture, picture, {}, 6.0);
  for (int i = 0; i < 40; ++i) {
    cv::circle(picture, {100 + 97 * i, 400 + 61 * i}, 60, cv::Scalar(230, 230, 20 + 5 * i), -1);
  }
  return picture;
}

/// The good photo with its mount bar, where it really is, painted gray.
cv::Mat WithoutMountBar(cv::Mat picture, const testing::TempFolder& scratch) {
  const nlohmann::json truth = testing::ReadTruth("r2_left");
  const auto camera = ReadCamera(scratch.Write("photo.json", truth["camera"].dump()));
  const Eigen::Isometry3d camera_from_rig = testing::ToTransform(truth["camera_from_rig"]);
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
  cv::fillConvexPoly(picture, hull, cv::Scalar::all(110));
  return picture;
}

/// The good photo with its register card pasted over by `card`.
cv::Mat WithCard(cv::Mat picture, const cv::Mat& card, const testing::TempFolder& scratch) {
  const nlohmann::json truth = testing::ReadTruth("r2_left");
  const auto camera = ReadCamera(scratch.Write("photo.json", truth["camera"].dump()));
  const Eigen::Isometry3d camera_from_rig = testing::ToTransform(truth["camera_from_rig"]);
  const nlohmann::json hung = testing::ReadTruth("r2")["card"];
  const Eigen::Vector3d center = testing::ToVector(hung["center_rig_mm"]);
  // Black square and a white border of one of its eight cells, as wide as the pasted picture.
  const double half_mm = 0.5 * hung["size_mm"].get<double>() * 10.0 / 8.0;
  std::vector<cv::Point2f> to;
  for (const auto& [x, y] : {std::pair{-1.0, -1.0}, {1.0, -1.0}, {1.0, 1.0}, {-1.0, 1.0}}) {
    const Eigen::Vector2d px =
        camera->Project(camera_from_rig * (center + half_mm * Eigen::Vector3d(x, y, 0.0)));
    to.emplace_back(static_cast<float>(px.x()), static_cast<float>(px.y()));
  }
  const auto size = static_cast<float>(card.cols);
  const std::vector<cv::Point2f> from = {{0, 0}, {size, 0}, {size, size}, {0, size}};
  cv::warpPerspective(card, picture, cv::getPerspectiveTransform(from, to), picture.size(),
                      cv::INTER_AREA, cv::BORDER_TRANSPARENT);
  return picture;
}

/// A register card of another note.
cv::Mat CardOf(int midi) {
  cv::Mat card(400, 400, CV_8UC3, cv::Scalar::all(170));
  cv::Mat marker;
  cv::aruco::drawMarker(cv::aruco::getPredefinedDictionary(cv::aruco::DICT_APRILTAG_36h11),
                        kRegisterCardBaseId + midi, 320, marker);
  cv::cvtColor(0.6 * marker + 15, card(cv::Rect(40, 40, 320, 320)), cv::COLOR_GRAY2BGR);
  return card;
}

/// The same photo as another phone would sign it.
std::string WithAnotherModel(std::string jpeg) {
  const std::size_t at =
      jpeg.find(std::string("Handset 5").append(1, '\0'));  // with the text's end
  EXPECT_NE(at, std::string::npos);
  jpeg.at(at + 8) = '6';
  return jpeg;
}

TEST_F(BadInput, EveryBadPhotoGetsOneLineAndTheGoodOneIsMeasured) {
  const cv::Mat good = GoodPicture();
  const std::string bytes = Contents(folder_ / "good.jpg");
  const testing::TempFolder scratch;
  cv::Mat quarter;
  cv::Mat upside_down;
  cv::Mat mirrored;
  cv::rotate(good, quarter, cv::ROTATE_90_CLOCKWISE);
  cv::rotate(good, upside_down, cv::ROTATE_180);
  cv::flip(good, mirrored, 1);
  struct BadPhoto {
    const char* file;
    std::string bytes;
    std::vector<std::string> says;
  };
  const std::vector<BadPhoto> bad = {
      {"bench.jpg", Jpeg(BenchWithoutRig()), {"no tag of the rig", "both bars"}},
      {"one_bar.jpg", Jpeg(WithoutMountBar(good.clone(), scratch)), {"bar"}},
      {"other.jpg", WithAnotherModel(bytes), {"Handset 6", "Handset 5"}},
      {"quarter.jpg", Jpeg(quarter), {"turned by 90°", "3024×4032"}},
      // Turned by an editor that does not say so.
      {"upside_down.jpg", Jpeg(upside_down), {"is turned", "treble"}},
      {"mirrored.jpg", Jpeg(mirrored), {"mirrored"}},
      {"half.jpg", bytes.substr(0, bytes.size() / 2), {"cut short"}},
      {"last_bytes.jpg", bytes.substr(0, bytes.size() - 40), {"cut short"}},
      {"empty.jpg", "", {"empty"}},
      {"text.jpg", "Dear customer,\nthe piano is ready.\n", {"is not a JPEG", "text"}},
  };
  std::string files;
  for (const BadPhoto& photo : bad) {
    folder_.Write(photo.file, photo.bytes);
    files.append(photo.file).append(" ");
  }
  const std::size_t files_before = folder_.FileCount();
  const CommandOutcome outcome = Measure(files + "good.jpg gone.jpg --json out.json --csv out.csv");
  EXPECT_EQ(outcome.status, 1);
  EXPECT_EQ(folder_.FileCount(), files_before + 2);
  const std::vector<std::string> lines = Lines(outcome.err);
  ASSERT_EQ(lines.size(), bad.size() + 1) << outcome.err;
  for (std::size_t i = 0; i < bad.size(); ++i) {
    EXPECT_THAT(lines[i], StartsWith(std::string("tinesight: ").append(bad[i].file).append(": ")));
    for (const std::string& part : bad[i].says) EXPECT_THAT(lines[i], HasSubstr(part));
  }
  EXPECT_THAT(lines.back(), AllOf(StartsWith("tinesight: gone.jpg: "), HasSubstr("no such file")));

  // The good photo's notes are exactly those that it gives alone.
  const CommandOutcome alone = Measure("good.jpg --json alone.json");
  ASSERT_EQ(alone.status, 0) << alone.err;
  EXPECT_EQ(NotesOf(folder_ / "out.json"), NotesOf(folder_ / "alone.json"));
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

TEST_F(BadInput, FirstNoteOfAnotherRegisterIsToldByTheTinesWhereNoCardSaysIt) {
  const testing::TempFolder scratch;
  const cv::Mat blank(400, 400, CV_8UC3, cv::Scalar::all(120));
  folder_.Write("no_card.jpg", Jpeg(WithCard(GoodPicture(), blank, scratch)));
  ASSERT_EQ(Measure("good.jpg --json good.json").status, 0);
  const auto result = nlohmann::json::parse(Contents(folder_ / "good.json"));
  const int first = result["photos"][0]["notes"][0];
  const auto with_first = [&](int midi) {
    return Measure("no_card.jpg --first-note '" + NoteName(midi) + "' --json no_card.json");
  };
  EXPECT_EQ(with_first(first).status, 0);
  std::filesystem::remove(folder_ / "no_card.json");
  for (const int off : {-8, 5, 20}) {
    const CommandOutcome outcome = with_first(first + off);
    EXPECT_EQ(outcome.status, 1);
    EXPECT_THAT(outcome.err, AllOf(StartsWith("tinesight: no_card.jpg: --first-note"),
                                   HasSubstr("doesn't fit"), HasSubstr("hang its card")));
    EXPECT_FALSE(std::filesystem::exists(folder_ / "no_card.json"));
  }
}

TEST_F(BadInput, CameraFileOfAnotherLensWithoutExif) {
  nlohmann::json camera = nlohmann::json::parse(Contents(folder_ / "camera.json"));
  camera.erase("exif");
  for (const char* focal : {"fx", "fy"}) camera[focal] = 0.8 * camera[focal].get<double>();
  folder_.Write("camera.json", camera.dump());
  const CommandOutcome outcome = Measure("good.jpg");
  EXPECT_EQ(outcome.status, 1);
  // Its own scale is within 1.5 % of 1.
  EXPECT_THAT(outcome.err, AllOf(StartsWith("tinesight: good.jpg: its focal length is 2"),
                                 HasSubstr("longer than the camera file's")));
}

TEST_F(BadInput, PhotosThatContradictEachOtherAreTold) {
  const testing::TempFolder scratch;
  std::filesystem::copy_file(kSamples / "harp" / "r2_right.jpg", folder_ / "right.jpg");
  // D3 in the other photo is called A#2 here.
  folder_.Write("wrong_card.jpg", Jpeg(WithCard(GoodPicture(), CardOf(46), scratch)));
  const CommandOutcome outcome = Measure("wrong_card.jpg right.jpg");
  EXPECT_THAT(outcome.out, HasSubstr("fit together worse than usual"));
  EXPECT_THAT(Measure("good.jpg right.jpg").out,
              ::testing::Not(HasSubstr("fit together worse than usual")));
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
  // At the highest quality, so that both runs see the same pixels but for rounding.
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
  int only_upright = 0;
  for (std::size_t i = 0; i < a.size(); ++i) {
    if (!a[i].contains("lateral_mm") || a[i]["lateral_mm"].is_null()) continue;
    // The JPEGs' rounding differs by a gray level here and there: a tine that is all but too faint
    // to read may be readable in one of them only.
    if (!b[i].contains("lateral_mm") || !b[i]["lateral_mm"].is_number()) {
      ++only_upright;
      continue;
    }
    const double u = a[i]["lateral_u_mm"];
    EXPECT_LE(std::abs(a[i]["lateral_mm"].get<double>() - b[i]["lateral_mm"].get<double>()),
              0.5 * u)
        << a[i]["name"];
    ++compared;
  }
  EXPECT_GE(compared, 15);
  EXPECT_LE(only_upright, 1);
}

}  // namespace
}  // namespace tinesight
