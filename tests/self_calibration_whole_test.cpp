// --self-calibrate on the sample photos: no camera file, and still the camera of the truth and
// figures that agree with the calibrated ones.
#include <gtest/gtest.h>

#include <cmath>
#include <nlohmann/json.hpp>

#include "calibration/file_io.hpp"
#include "tests/run_command.hpp"
#include "tests/sample_calibration.hpp"
#include "tests/sample_truth.hpp"
#include "tests/temp_folder.hpp"

namespace tinesight {
namespace {

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

}  // namespace
}  // namespace tinesight
