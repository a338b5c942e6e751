#include "calibration/camera.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <limits>
#include <nlohmann/json.hpp>
#include <opencv2/calib3d.hpp>
#include <random>
#include <vector>

#include "tests/temp_folder.hpp"

namespace tinesight {
namespace {

using nlohmann::json;
using ::testing::AllOf;
using testing::ExpectOneLine;
using ::testing::HasSubstr;
using testing::TempFolder;

constexpr double kNumerical_px = 1e-9;

/// A 12-megapixel phone camera with distortion of the size that phones have.
Camera PhoneCamera() {
  Camera camera;
  camera.width_px = 4032;
  camera.height_px = 3024;
  camera.fx_px = 3150.0;
  camera.fy_px = 3144.0;
  camera.cx_px = 2020.5;
  camera.cy_px = 1502.25;
  camera.distortion = {-0.055, 0.028, 0.0006, -0.0004, 0.011};
  return camera;
}

/// The published left camera of OpenCV's chessboard photographs
/// (left_intrinsics.yml of Debian's opencv-doc): a far stronger
/// distortion, over its whole picture of 640×480 px.
Camera StrongCamera() {
  Camera camera;
  camera.width_px = 640;
  camera.height_px = 480;
  camera.fx_px = camera.fy_px = 535.91573;
  camera.cx_px = 342.28315;
  camera.cy_px = 235.57083;
  camera.distortion = {-0.26637261, -0.03858890, 0.00178319, -0.00028122, 0.23839153};
  return camera;
}

cv::Matx33d CameraMatrix(const Camera& c) {
  return {c.fx_px, 0.0, c.cx_px, 0.0, c.fy_px, c.cy_px, 0.0, 0.0, 1.0};
}

TEST(CameraProjection, AgreesWithOpenCv) {
  for (const Camera& camera : {PhoneCamera(), StrongCamera()}) {
    std::mt19937 random(7);
    std::uniform_real_distribution<double> side(-120.0, 120.0);
    std::uniform_real_distribution<double> depth(200.0, 500.0);
    std::vector<cv::Point3d> points;
    points.reserve(500);
    for (int i = 0; i < 500; ++i) points.emplace_back(side(random), side(random), depth(random));
    std::vector<cv::Point2d> expected;
    const std::vector<double> distortion(camera.distortion.begin(), camera.distortion.end());
    cv::projectPoints(points, cv::Vec3d(), cv::Vec3d(), CameraMatrix(camera), distortion, expected);
    for (std::size_t i = 0; i < points.size(); ++i) {
      const Eigen::Vector2d found = camera.Project({points[i].x, points[i].y, points[i].z});
      const double error_px = std::hypot(found.x() - expected[i].x, found.y() - expected[i].y);
      EXPECT_TRUE(error_px <= kNumerical_px) << error_px << " px at point " << i;
    }
  }
}

TEST(CameraProjection, UndistortIsItsInverseOverTheWholePicture) {
  for (const Camera& camera : {PhoneCamera(), StrongCamera()}) {
    for (int v = 0; v <= camera.height_px; v += camera.height_px / 24) {
      for (int u = 0; u <= camera.width_px; u += camera.width_px / 32) {
        const Eigen::Vector2d position_px(u, v);
        const Eigen::Vector2d direction = camera.Undistort(position_px);
        const Eigen::Vector2d back_px = camera.Project({direction.x(), direction.y(), 1.0});
        EXPECT_TRUE((back_px - position_px).norm() <= kNumerical_px) << position_px.transpose();
      }
    }
  }
}

TEST(CameraProjection, UndistortReturnsTheDirectionThatWasProjected) {
  const Camera camera = StrongCamera();
  for (double y = -0.4; y <= 0.4; y += 0.1) {
    for (double x = -0.6; x <= 0.5; x += 0.1) {
      const Eigen::Vector2d direction = camera.Undistort(camera.Project({3 * x, 3 * y, 3.0}));
      EXPECT_TRUE((direction - Eigen::Vector2d(x, y)).norm() <= 1e-12) << x << ", " << y;
    }
  }
}

TEST(CameraProjection, UndistortSaysNotANumberBeyondTheFold) {
  Camera camera = PhoneCamera();
  camera.distortion = {-0.5, 0.0, 0.0, 0.0, 0.0};  // r (1 − r²/2) never exceeds 0.544
  EXPECT_TRUE(camera.Undistort({camera.cx_px + 0.54 * camera.fx_px, camera.cy_px}).allFinite());
  EXPECT_TRUE(camera.Undistort({camera.cx_px + 0.55 * camera.fx_px, camera.cy_px}).hasNaN());
}

TEST(CameraAdjusted, ScalesTheFocalLengthAndMovesThePrincipalPoint) {
  const Camera adjusted = PhoneCamera().Adjusted(1.01, 3.0, -2.0);
  EXPECT_DOUBLE_EQ(adjusted.fx_px, 3150.0 * 1.01);
  EXPECT_DOUBLE_EQ(adjusted.fy_px, 3144.0 * 1.01);
  EXPECT_DOUBLE_EQ(adjusted.cx_px, 2023.5);
  EXPECT_DOUBLE_EQ(adjusted.cy_px, 1500.25);
  EXPECT_EQ(adjusted.distortion, PhoneCamera().distortion);
  EXPECT_EQ(adjusted.width_px, 4032);
}

TEST(CameraTurned180, ProjectsATurnedSceneToTheTurnedPicture) {
  for (const Camera& camera : {PhoneCamera(), StrongCamera()}) {
    const Camera turned = camera.Turned180();
    for (double y = -60.0; y <= 60.0; y += 30.0) {
      for (double x = -100.0; x <= 100.0; x += 25.0) {
        const Eigen::Vector2d px = camera.Project({x, y, 300.0});
        // The camera frame turned about its z axis; pixel centers of a turned picture.
        const Eigen::Vector2d found = turned.Project({-x, -y, 300.0});
        const Eigen::Vector2d expected(camera.width_px - 1 - px.x(), camera.height_px - 1 - px.y());
        EXPECT_TRUE((found - expected).norm() <= kNumerical_px) << x << ", " << y;
      }
    }
    EXPECT_EQ(turned.Turned180().distortion, camera.distortion);
    EXPECT_NEAR(turned.Turned180().cx_px, camera.cx_px, kNumerical_px);
  }
}

TEST(CameraForOrientation, TurnsWhereThePhoneWasHeldTheOtherWayUp) {
  Camera camera = PhoneCamera();
  EXPECT_EQ(camera.ForOrientation(1).cx_px, camera.cx_px);
  EXPECT_EQ(camera.ForOrientation(3).cx_px, camera.Turned180().cx_px);
  EXPECT_EQ(camera.ForOrientation(3).ForOrientation(3).cx_px, camera.Turned180().cx_px);
  EXPECT_NEAR(camera.ForOrientation(3).ForOrientation(1).cx_px, camera.cx_px, kNumerical_px);
  // Calibrated with the phone upright: the two ways of holding it upright are 180° apart.
  camera.exif_orientation = 6;
  EXPECT_EQ(camera.ForOrientation(6).cx_px, camera.cx_px);
  EXPECT_EQ(camera.ForOrientation(8).cy_px, camera.Turned180().cy_px);
}

json CameraJson() {
  return {{"width", 4032},
          {"height", 3024},
          {"fx", 3150.0},
          {"fy", 3144.0},
          {"cx", 2020.5},
          {"cy", 1502.25},
          {"distortion", {-0.055, 0.028, 0.0006, -0.0004, 0.011}}};
}

TEST(CameraFile, ComesBackBitForBit) {
  Camera camera = PhoneCamera();
  camera.fx_px = 3150.0 / 3.0;  // needs all digits
  camera.fy_px = std::nextafter(camera.fx_px, 2000.0);
  camera.exif = CameraExif{"Example", "Phone 1", "Example main 6.8mm f/1.8", 6.86};
  camera.exif_orientation = 8;
  camera.standard_uncertainty = {1.5, 1.6, 0.4, 0.5, 1e-3, 2e-3, 1e-5, 2e-5, 3e-3};
  const TempFolder folder;
  const auto file = folder.Path() / "camera.json";
  const auto written = WriteCamera(camera, file);
  ASSERT_TRUE(written) << written.error().message;
  const auto read = ReadCamera(file);
  ASSERT_TRUE(read) << read.error().message;
  EXPECT_EQ(read->width_px, camera.width_px);
  EXPECT_EQ(read->height_px, camera.height_px);
  EXPECT_EQ(read->fx_px, camera.fx_px);
  EXPECT_EQ(read->fy_px, camera.fy_px);
  EXPECT_EQ(read->cx_px, camera.cx_px);
  EXPECT_EQ(read->cy_px, camera.cy_px);
  EXPECT_EQ(read->distortion, camera.distortion);
  EXPECT_EQ(read->standard_uncertainty, camera.standard_uncertainty);
  EXPECT_EQ(read->exif_orientation, 8);
  ASSERT_TRUE(read->exif);
  EXPECT_EQ(read->exif->make, "Example");
  EXPECT_EQ(read->exif->model, "Phone 1");
  EXPECT_EQ(read->exif->lens, "Example main 6.8mm f/1.8");
  EXPECT_EQ(read->exif->focal_length_mm, 6.86);
}

TEST(CameraFile, TakesTheCoefficientsAsSeparateKeysToo) {
  json flat = CameraJson();
  flat.erase("distortion");
  flat.update({{"k1", -0.055}, {"k2", 0.028}, {"p1", 0.0006}, {"p2", -0.0004}, {"k3", 0.011}});
  const TempFolder folder;
  const auto camera = ReadCamera(folder.Write("flat.json", flat.dump()));
  ASSERT_TRUE(camera) << camera.error().message;
  EXPECT_EQ(camera->distortion, PhoneCamera().distortion);
  EXPECT_FALSE(camera->exif);
  EXPECT_FALSE(camera->standard_uncertainty);
}

struct BadValue {
  const char* pointer;  ///< where in the file (JSON pointer)
  json value;           ///< what to write there; discarded: remove the key
  std::vector<std::string> said;
};

TEST(CameraFile, RefusesMissingAndAbsurdValuesByName) {
  const json removed = json::value_t::discarded;
  const std::vector<BadValue> bad = {
      {"/width", removed, {"width is missing"}},
      {"/height", 0, {"height is 0"}},
      {"/width", 4032.5, {"width is 4032.5", "whole number"}},
      {"/width", "4032", {"width is a text"}},
      {"/fx", removed, {"fx is missing"}},
      {"/fx", -3150, {"fx is -3150", "focal length"}},
      {"/fx", 3.15, {"fx is 3.15"}},  // in mm, not px
      {"/fy", 6300, {"fx and fy", "3150", "6300"}},
      {"/fy", nullptr, {"fy is null"}},
      {"/cx", 5000, {"cx is 5000", "principal point"}},
      {"/cy", -3, {"cy is -3"}},
      {"/distortion", removed, {"distortion is missing"}},
      {"/distortion", json::array({1, 2, 3}), {"3 values"}},
      {"/distortion", json::array({0, 0, 0, 0, 0, 0, 0, 0}), {"8 values"}},
      {"/distortion/1", "x", {"k2 is a text"}},
      {"/distortion/0", -5.0, {"folds the picture", "k1 -5"}},
      {"/distortion/0", 1e7, {"k1 is 10000000"}},
      {"/k1", 0.1, {"both"}},
      {"/exif", 5, {"exif"}},
      {"/exif/make", 5, {"make is 5"}},
      {"/exif/focal_length_mm", -6.8, {"focal_length_mm is -6.8"}},
      {"/standard_uncertainty/fx", 1.0, {"fy is missing"}},
  };
  const TempFolder folder;
  for (const BadValue& entry : bad) {
    json changed = CameraJson();
    const json::json_pointer pointer(entry.pointer);
    if (entry.value.is_discarded()) {
      changed.erase(pointer.back());
    } else {
      changed[pointer] = entry.value;
    }
    const auto camera = ReadCamera(folder.Write("bad camera.json", changed.dump()));
    ASSERT_FALSE(camera) << entry.pointer << " " << changed.dump();
    ExpectOneLine(camera.error().message);
    EXPECT_THAT(camera.error().message, HasSubstr("bad camera.json"));
    for (const std::string& part : entry.said) {
      EXPECT_THAT(camera.error().message, HasSubstr(part)) << entry.pointer;
    }
  }
}

TEST(CameraFile, RefusesAFileThatIsNoCamera) {
  const TempFolder folder;
  EXPECT_FALSE(ReadCamera(folder.Path() / "missing.json"));
  EXPECT_FALSE(ReadCamera(folder.Write("list.json", "[1, 2]")));
  EXPECT_FALSE(ReadCamera(folder.Write("empty.json", "{}")));
  EXPECT_FALSE(ReadCamera(folder.Write("rig.json", R"({"tags": []})")));
}

TEST(CameraFile, IsNotWrittenWithAValueThatCouldNotBeReadBack) {
  const TempFolder folder;
  Camera camera = PhoneCamera();
  camera.distortion[1] = std::numeric_limits<double>::quiet_NaN();
  const auto written = WriteCamera(camera, folder.Path() / "camera.json");
  ASSERT_FALSE(written);
  EXPECT_THAT(written.error().message, AllOf(HasSubstr("camera.json"), HasSubstr("k2")));
  EXPECT_EQ(folder.FileCount(), 0U);
}

}  // namespace
}  // namespace tinesight
