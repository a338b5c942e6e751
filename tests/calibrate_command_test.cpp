// The whole of `tinesight calibrate` on pictures of the printed strips, drawn here pixel by pixel
// through a known camera with distortion: rays, not the projection that the solver uses.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <Eigen/Geometry>
#include <array>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <iostream>
#include <memory>
#include <opencv2/aruco.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

#include "calibration/angle.hpp"
#include "calibration/camera.hpp"
#include "calibration/rig.hpp"
#include "calibration/strips.hpp"
#include "tests/run_command.hpp"

namespace tinesight {
namespace {

namespace fs = std::filesystem;
constexpr double kTexturePxPerMm = 24.0;

Camera TrueCamera() {
  Camera camera;
  camera.width_px = 2016;
  camera.height_px = 1512;
  camera.fx_px = camera.fy_px = 1540.0;
  camera.cx_px = 1011.0;
  camera.cy_px = 752.0;
  camera.distortion = {-0.06, 0.03, 0.0003, -0.0004, 0.0};
  return camera;
}

/// A strip as printed, white paper with black marks; (0, 0) of the print is the strip's middle.
cv::Mat StripTexture(const StripBar& bar) {
  const double left = -0.5 * kStripLengthMm;
  const double top = -0.5 * kStripHeightMm;
  cv::Mat texture(static_cast<int>(kStripHeightMm * kTexturePxPerMm),
                  static_cast<int>(kStripLengthMm * kTexturePxPerMm), CV_8UC1, cv::Scalar(225));
  const auto fill = [&](double x, double y, double width, double height, int value) {
    const auto px = [](double mm) { return static_cast<int>(std::lround(mm * kTexturePxPerMm)); };
    const cv::Rect area(px(x - left), px(y - top), px(x - left + width) - px(x - left),
                        px(y - top + height) - px(y - top));
    texture(area & cv::Rect(0, 0, texture.cols, texture.rows)).setTo(value);
  };
  constexpr int kBlack = 25;
  for (int i = 0; i < kTagsPerStrip; ++i) {
    const auto side_px = static_cast<int>(kTagSideMm * kTexturePxPerMm);
    cv::Mat tag;
    cv::aruco::drawMarker(cv::aruco::getPredefinedDictionary(cv::aruco::DICT_APRILTAG_36h11),
                          bar.first_id + i, side_px, tag, 1);
    tag.setTo(225, tag > 128);
    tag.setTo(kBlack, tag < 128);
    const auto x = static_cast<int>(
        std::lround((TagCenterXMm(i) - 0.5 * kTagSideMm - left) * kTexturePxPerMm));
    const auto y = static_cast<int>(std::lround((-0.5 * kTagSideMm - top) * kTexturePxPerMm));
    tag.copyTo(texture(cv::Rect(x, y, side_px, side_px)));
  }
  for (int j = 0; j < kPointsPerStrip; ++j) {
    for (const RectangleMm& black : SaddleSquares()) {
      fill(SaddleXMm(j) + black.x_mm, black.y_mm, black.width_mm, black.height_mm, kBlack);
    }
  }
  return texture;
}

/// Where a strip really is: the mount bar stands off its drawn place.
Eigen::Isometry3d RigFromStrip(bool mount) {
  const StripBar& bar = mount ? kMountBar : kPickupBar;
  Eigen::Isometry3d pose = Eigen::Isometry3d::Identity();
  pose.translation() = Eigen::Vector3d(0.0, bar.y_mm, bar.z_mm);
  if (mount) {
    pose.translation() += Eigen::Vector3d(2.0, -1.5, 3.0);
    pose.linear() = Eigen::AngleAxisd(0.8 * kRadPerDeg, Eigen::Vector3d::UnitY()).matrix();
  }
  return pose;
}

Eigen::Isometry3d LookAt(double azimuth_deg, double elevation_deg, double distance_mm,
                         double roll_deg, const Eigen::Vector3d& target) {
  const double a = azimuth_deg * kRadPerDeg;
  const double e = elevation_deg * kRadPerDeg;
  const Eigen::Vector3d eye =
      target + distance_mm * Eigen::Vector3d(std::sin(a) * std::cos(e), -std::sin(e),
                                             -std::cos(a) * std::cos(e));
  Eigen::Matrix3d turn;
  turn.row(2) = (target - eye).normalized().transpose();
  turn.row(0) = Eigen::Vector3d::UnitY().cross(turn.row(2).transpose()).normalized().transpose();
  turn.row(1) = turn.row(2).cross(turn.row(0));
  turn = Eigen::AngleAxisd(-roll_deg * kRadPerDeg, Eigen::Vector3d::UnitZ()).matrix() * turn;
  Eigen::Isometry3d pose = Eigen::Isometry3d::Identity();
  pose.linear() = turn;
  pose.translation() = -turn * eye;
  return pose;
}

/// The ray (x, y, 1) of every pixel at an offset from its center, by the camera's own Undistort.
cv::Mat Rays(const Camera& camera, double dx, double dy) {
  cv::Mat rays(camera.height_px, camera.width_px, CV_32FC2);
  for (int v = 0; v < rays.rows; ++v) {
    for (int u = 0; u < rays.cols; ++u) {
      const Eigen::Vector2d ray = camera.Undistort({u + dx, v + dy});
      rays.at<cv::Vec2f>(v, u) = {static_cast<float>(ray.x()), static_cast<float>(ray.y())};
    }
  }
  return rays;
}

/// One ray per sample, 2 × 2 samples a pixel.
cv::Mat Render(const Camera& camera, const Eigen::Isometry3d& camera_from_rig) {
  static const std::array<cv::Mat, 2> textures = {StripTexture(kPickupBar),
                                                  StripTexture(kMountBar)};
  constexpr double kStep_px = 0.25;
  static const std::array<cv::Mat, 4> all_rays = {
      Rays(camera, -kStep_px, -kStep_px), Rays(camera, kStep_px, -kStep_px),
      Rays(camera, -kStep_px, kStep_px), Rays(camera, kStep_px, kStep_px)};
  cv::Mat sum(camera.height_px, camera.width_px, CV_32FC1, cv::Scalar(0));
  for (const cv::Mat& rays : all_rays) {
    cv::Mat shot(camera.height_px, camera.width_px, CV_8UC1, cv::Scalar(70));
    for (const bool mount : {false, true}) {
      const Eigen::Isometry3d camera_from_strip = camera_from_rig * RigFromStrip(mount);
      Eigen::Matrix3d plane;  // camera ray (x, y, 1) = λ plane (u, v, 1)
      plane << camera_from_strip.linear().col(0), camera_from_strip.linear().col(1),
          camera_from_strip.translation();
      const Eigen::Matrix3d back = plane.inverse();
      cv::Mat map(rays.size(), CV_32FC2);
      for (int v = 0; v < map.rows; ++v) {
        for (int u = 0; u < map.cols; ++u) {
          const auto ray = rays.at<cv::Vec2f>(v, u);
          const Eigen::Vector3d p = back * Eigen::Vector3d(ray[0], ray[1], 1.0);
          const double x_mm = p.x() / p.z() + 0.5 * kStripLengthMm;
          const double y_mm = p.y() / p.z() + 0.5 * kStripHeightMm;
          map.at<cv::Vec2f>(v, u) = {static_cast<float>(x_mm * kTexturePxPerMm - 0.5),
                                     static_cast<float>(y_mm * kTexturePxPerMm - 0.5)};
        }
      }
      cv::remap(textures[mount ? 1 : 0], shot, map, cv::noArray(), cv::INTER_LINEAR,
                cv::BORDER_TRANSPARENT);
    }
    cv::Mat as_float;
    shot.convertTo(as_float, CV_32F, 0.25);
    sum += as_float;
  }
  cv::GaussianBlur(sum, sum, {0, 0}, 0.8);
  cv::Mat noise(sum.size(), CV_32FC1);
  cv::theRNG().state = 11;
  cv::randn(noise, 0.0, 2.0);
  cv::Mat photo;
  cv::Mat(sum + noise).convertTo(photo, CV_8U);
  return photo;
}

std::string PhotoName(std::size_t number) {
  std::string name = "v";
  name += std::to_string(number);
  name += ".png";
  return name;
}

class CalibrateCommand : public ::testing::Test {
 protected:
  static void SetUpTestSuite() {
    own_folder_ = std::make_unique<testing::TempFolder>();
    folder_ = own_folder_->Path();
    struct View {
      double azimuth, elevation, distance, roll;
      Eigen::Vector3d target;
    };
    const std::vector<View> views = {
        {0, 24, 460, 1, {0, 0, -95}},        {-24, 34, 430, -3, {-10, 0, -90}},
        {26, 30, 420, 4, {20, 5, -90}},      {3, 48, 430, 90, {0, 10, -80}},
        {-14, 42, 410, -88, {0, 0, -95}},    {34, 40, 455, 42, {0, 0, -100}},
        {-20, 20, 400, 10, {-30, -40, -60}}, {6, 36, 370, -30, {25, 40, -110}}};
    for (std::size_t i = 0; i < views.size(); ++i) {
      const View& v = views[i];
      const fs::path file = folder_ / PhotoName(i + 1);
      cv::imwrite(file.string(), Render(TrueCamera(), LookAt(v.azimuth, v.elevation, v.distance,
                                                             v.roll, v.target)));
      photos_ += file.string() + " ";
    }
    ASSERT_TRUE(WriteRig(NominalRig(), folder_ / "nominal.json"));
  }
  static void TearDownTestSuite() { own_folder_.reset(); }

  static std::string Files(const std::string& tag) {
    const std::string base = folder_.string() + "/";
    return "--rig " + base + "nominal.json --camera-out " + base + tag + "_camera.json --rig-out " +
           base + tag + "_rig.json";
  }

  /// The calibration of all photos into plain_camera.json and plain_rig.json, which is made once.
  static const CommandOutcome& Plain() {
    static const CommandOutcome outcome = RunTinesight("calibrate " + photos_ + Files("plain"));
    return outcome;
  }

  static std::unique_ptr<testing::TempFolder> own_folder_;
  static fs::path folder_;
  static std::string photos_;
};
std::unique_ptr<testing::TempFolder> CalibrateCommand::own_folder_;
fs::path CalibrateCommand::folder_;
std::string CalibrateCommand::photos_;

TEST_F(CalibrateCommand, FindsTheCameraAndTheRigInPictures) {
  const CommandOutcome& outcome = Plain();
  std::cout << outcome.out;
  ASSERT_EQ(outcome.status, 0) << outcome.err;
  // What ± means: fx of the mean focus, not of any one photo.
  EXPECT_THAT(outcome.out,
              ::testing::ContainsRegex("fx .* ± .* px \\(at the mean focus of these "
                                       "photos; single photos scatter by ± 0\\.[0-9]"));
  const auto camera = ReadCamera(folder_ / "plain_camera.json");
  ASSERT_TRUE(camera) << camera.error().message;
  ASSERT_TRUE(camera->standard_uncertainty);
  const Camera truth = TrueCamera();
  const auto& u = *camera->standard_uncertainty;
  // Within four standard uncertainties, and those must be worth something.
  EXPECT_LT(std::abs(camera->fx_px - truth.fx_px), 4.0 * u[0]);
  EXPECT_LT(std::abs(camera->cx_px - truth.cx_px), 4.0 * u[2]);
  EXPECT_LT(std::abs(camera->cy_px - truth.cy_px), 4.0 * u[3]);
  EXPECT_LT(u[0], 0.004 * truth.fx_px);
  EXPECT_LT(u[2], 3.0);
  const auto rig = ReadRig(folder_ / "plain_rig.json");
  ASSERT_TRUE(rig) << rig.error().message;
  // The shape, free of the frame: distances between tag centers of the two bars.
  double largest = 0.0;
  for (int i = 0; i < kTagsPerStrip; i += 3) {
    for (int j = 0; j < kTagsPerStrip; j += 3) {
      const Eigen::Vector3d a = RigFromStrip(false) * Eigen::Vector3d(TagCenterXMm(i), 0, 0);
      const Eigen::Vector3d b = RigFromStrip(true) * Eigen::Vector3d(TagCenterXMm(j), 0, 0);
      const double is = (rig->FindTag(kPickupBar.first_id + i)->CenterMm() -
                         rig->FindTag(kMountBar.first_id + j)->CenterMm())
                            .norm();
      largest = std::max(largest, std::abs(is - (a - b).norm()));
    }
  }
  std::cout << "distances across the bars off by at most " << largest << " mm\n";
  // Over 235 to 430 mm; the nominal file is off by 3 mm. fx to 0.1 % alone is 0.2 mm of depth.
  EXPECT_LT(largest, 0.35);
}

/// A JPEG whose EXIF asks to be turned by 90° clockwise, as a phone held upright writes it.
void WriteTurnedJpeg(const cv::Mat& sensor, const fs::path& file) {
  std::vector<unsigned char> jpeg;
  cv::imencode(".jpg", sensor, jpeg, {cv::IMWRITE_JPEG_QUALITY, 97});
  // APP1: "Exif", big-endian TIFF, one directory with one entry: Orientation (274) = 6.
  const std::vector<unsigned char> app1 = {
      0xFF, 0xE1, 0x00, 0x22, 'E',  'x',  'i',  'f',  0, 0, 'M', 'M', 0, 42, 0, 0, 0, 8,
      0x00, 0x01, 0x01, 0x12, 0x00, 0x03, 0x00, 0x00, 0, 1, 0,   6,   0, 0,  0, 0, 0, 0};
  jpeg.insert(jpeg.begin() + 2, app1.begin(), app1.end());
  std::ofstream(file, std::ios::binary)
      .write(reinterpret_cast<const char*>(jpeg.data()), static_cast<std::streamsize>(jpeg.size()));
}

TEST_F(CalibrateCommand, TakesAPhotoThatThePhoneTurnedUprightAsTheSensorSawIt) {
  const fs::path turned = folder_ / "turned.jpg";
  WriteTurnedJpeg(cv::imread((folder_ / "v4.png").string(), cv::IMREAD_GRAYSCALE), turned);
  const std::string plain = (folder_ / "v4.png").string();
  std::string photos = photos_;
  photos.replace(photos.find(plain), plain.size(), turned.string());
  const CommandOutcome outcome = RunTinesight("calibrate " + photos + Files("turned"));
  ASSERT_EQ(outcome.status, 0) << outcome.err;
  const auto camera = ReadCamera(folder_ / "turned_camera.json");
  ASSERT_TRUE(camera) << camera.error().message;
  EXPECT_EQ(camera->width_px, TrueCamera().width_px);
  const auto& u = *camera->standard_uncertainty;
  EXPECT_LT(std::abs(camera->fx_px - TrueCamera().fx_px), 4.0 * u[0]);
  EXPECT_LT(std::abs(camera->cx_px - TrueCamera().cx_px), 4.0 * u[2]);
}

// A copy, a photo of another camera, one without the rig: each is named, and the results are those
// of the other photos, not more certain by a mark.
TEST_F(CalibrateCommand, LeavesOutWhatAddsNothingAndSaysSo) {
  cv::imwrite((folder_ / "small.png").string(), cv::Mat(600, 800, CV_8UC1, cv::Scalar(90)));
  cv::imwrite((folder_ / "empty.png").string(), cv::Mat(1512, 2016, CV_8UC1, cv::Scalar(90)));
  fs::copy_file(folder_ / "v2.png", folder_ / "copy.png");
  ASSERT_EQ(Plain().status, 0) << Plain().err;
  const std::string base = folder_.string() + "/";
  const CommandOutcome outcome = RunTinesight("calibrate " + photos_ + base + "small.png " + base +
                                              "empty.png " + base + "copy.png " + Files("odd"));
  EXPECT_EQ(outcome.status, 1) << "not every photo was used";
  EXPECT_THAT(outcome.err,
              ::testing::HasSubstr("small.png: differs from the other photos (800×600 px; they: "
                                   "2016×1512 px); left out"));
  EXPECT_THAT(outcome.err, ::testing::HasSubstr("empty.png: not used, it shows 0 tags"));
  EXPECT_THAT(outcome.err,
              ::testing::HasSubstr("copy.png: the same photo as " + base + "v2.png; left out"));
  for (const char* file : {"_camera.json", "_rig.json"}) {
    const std::string bytes = testing::Contents(base + "plain" + file);
    EXPECT_FALSE(bytes.empty());
    EXPECT_EQ(testing::Contents(base + "odd" + file), bytes) << file;
  }
}

TEST_F(CalibrateCommand, LeavesOutAZoomedPhoto) {
  const cv::Mat photo = cv::imread((folder_ / "v8.png").string(), cv::IMREAD_GRAYSCALE);
  const cv::Rect middle(202, 151, 1612, 1210);
  cv::Mat zoomed;
  cv::resize(photo(middle), zoomed, photo.size(), 0, 0, cv::INTER_CUBIC);
  cv::imwrite((folder_ / "zoomed.png").string(), zoomed);
  const CommandOutcome outcome = RunTinesight(
      "calibrate " + photos_ + (folder_ / "zoomed.png").string() + " " + Files("zoomed"));
  EXPECT_EQ(outcome.status, 1) << "not every photo was used";
  EXPECT_THAT(outcome.err, ::testing::HasSubstr("zoomed.png: not used, it has a focal length 2"));
  EXPECT_THAT(outcome.out, ::testing::HasSubstr("% longer than the others"));
  const auto camera = ReadCamera(folder_ / "zoomed_camera.json");
  ASSERT_TRUE(camera) << camera.error().message;
  EXPECT_LT(std::abs(camera->fx_px - TrueCamera().fx_px), 4.0 * (*camera->standard_uncertainty)[0]);
}

TEST_F(CalibrateCommand, RefusesWhereTooFewPhotosAreOfOneCamera) {
  std::string photos;
  for (std::size_t i = 1; i <= 4; ++i) photos += (folder_ / PhotoName(i)).string() + " ";
  const fs::path other = folder_ / "other.png";
  cv::imwrite(other.string(), cv::Mat(600, 800, CV_8UC1, cv::Scalar(90)));
  const CommandOutcome outcome =
      RunTinesight("calibrate " + photos + other.string() + " " + Files("mixed"));
  EXPECT_EQ(outcome.status, 1);
  EXPECT_THAT(outcome.err, ::testing::HasSubstr("other.png: differs from the other photos"));
  EXPECT_THAT(outcome.err, ::testing::HasSubstr("only 4 of 5 photos can be used"));
  EXPECT_FALSE(fs::exists(folder_ / "mixed_camera.json"));
}

// The outputs are checked before anything is read, so that no photo need be one.
TEST_F(CalibrateCommand, NeverWritesOverItsInputs) {
  const testing::TempFolder folder;
  const fs::path photo = folder.Write("rig_01.jpg", "a photo");
  const fs::path rig = folder.Write("rig.json", "a rig");
  const auto status_of = [&](const std::string& outputs) {
    const CommandOutcome outcome =
        RunTinesight("calibrate rig_01.jpg --rig rig.json " + outputs, folder.Path());
    EXPECT_THAT(outcome.err, ::testing::HasSubstr("is named twice, as an output and as something"));
    return outcome.status;
  };
  EXPECT_EQ(status_of("--camera-out ./rig_01.jpg --rig-out r.json"), 2);
  EXPECT_EQ(status_of("--camera-out c.json --rig-out " + rig.string()), 2);
  EXPECT_EQ(status_of("--camera-out c.json --rig-out ./c.json"), 2);
  EXPECT_EQ(testing::Contents(photo), "a photo");
  EXPECT_EQ(testing::Contents(rig), "a rig");
  EXPECT_EQ(folder.FileCount(), 2U);
}

TEST_F(CalibrateCommand, KeepsTheOldCameraWhereTheNewRigCannotBeWritten) {
  const testing::TempFolder folder;
  const fs::path camera = folder.Write("c.json", "the camera of the last calibration");
  const CommandOutcome outcome =
      RunTinesight("calibrate " + photos_ + "--rig " + (folder_ / "nominal.json").string() +
                   " --camera-out " + camera.string() + " --rig-out /dev/full");
  EXPECT_EQ(outcome.status, 1);
  EXPECT_THAT(outcome.err, ::testing::HasSubstr("/dev/full: cannot be written"));
  EXPECT_EQ(testing::Contents(camera), "the camera of the last calibration");
  EXPECT_EQ(folder.FileCount(), 1U);
}

TEST_F(CalibrateCommand, RefusesTooFewPhotosAndWritesNothing) {
  const std::string two = (folder_ / "v1.png").string() + " " + (folder_ / "v2.png").string() + " ";
  const CommandOutcome outcome = RunTinesight("calibrate " + two + Files("few"));
  EXPECT_EQ(outcome.status, 1);
  EXPECT_THAT(outcome.err, ::testing::HasSubstr("only 2 of 2 photos"));
  EXPECT_FALSE(fs::exists(folder_ / "few_camera.json"));
  EXPECT_FALSE(fs::exists(folder_ / "few_rig.json"));
}

TEST_F(CalibrateCommand, SaysInOneLineWhichFileIsNoPhoto) {
  const fs::path text = folder_ / "text.jpg";
  std::ofstream(text) << "this is no photo\n";
  const CommandOutcome outcome = RunTinesight("calibrate " + text.string() + " " + Files("text"));
  EXPECT_EQ(outcome.status, 1);
  EXPECT_THAT(outcome.err, ::testing::HasSubstr("text.jpg"));
  EXPECT_FALSE(fs::exists(folder_ / "text_camera.json"));
}

TEST_F(CalibrateCommand, SaysAtOnceThatAnOutputCannotBeWritten) {
  const fs::path camera = folder_ / "early_camera.json";
  const CommandOutcome outcome = RunTinesight(
      "calibrate " + photos_ + "--rig " + (folder_ / "nominal.json").string() + " --camera-out " +
      camera.string() + " --rig-out " + (folder_ / "missing" / "rig.json").string());
  EXPECT_EQ(outcome.status, 1);
  EXPECT_EQ(outcome.out, "") << "nothing is calibrated first";
  EXPECT_THAT(outcome.err, ::testing::HasSubstr("rig.json: cannot be written"));
  EXPECT_FALSE(fs::exists(camera));
}

TEST_F(CalibrateCommand, WrongUsageIsExitStatusTwo) {
  EXPECT_EQ(RunTinesight("calibrate").status, 2);
  EXPECT_EQ(RunTinesight("calibrate a.jpg --rig r.json").status, 2);
}

}  // namespace
}  // namespace tinesight
