// Where tines end, read on the sample photos about their true lines, through the true cameras: the
// reading alone, without what finding a tine adds.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <opencv2/imgproc.hpp>
#include <string>
#include <vector>

#include "calibration/median.hpp"
#include "tests/sample_truth.hpp"
#include "vision/photo.hpp"
#include "vision/tip_reading.hpp"

namespace tinesight {
namespace {

PhotoView TrueView(const std::string& name) {
  const nlohmann::json truth = testing::ReadTruth(name);
  const nlohmann::json& camera = truth["camera"];
  PhotoView view;
  const auto photo = ReadPhoto(testing::kSamples / "harp" / (name + ".jpg"));
  EXPECT_TRUE(photo) << name;
  if (!photo) return view;
  view.bgr = photo->bgr;
  view.camera.width_px = camera["width"];
  view.camera.height_px = camera["height"];
  view.camera.fx_px = camera["fx"];
  view.camera.fy_px = camera["fy"];
  view.camera.cx_px = camera["cx"];
  view.camera.cy_px = camera["cy"];
  for (std::size_t i = 0; i < 5; ++i) view.camera.distortion[i] = camera["distortion"][i];
  view.camera_from_world = testing::ToTransform(truth["camera_from_rig"]) *
                           testing::ToTransform(truth["harp_from_rig"]).inverse();
  return view;
}

TEST(TipReading, OnTheSamplePhotosErrsAsItSays) {
  // Off to either side: what is expected shall not be what is found.
  constexpr double kExpectedMm[2] = {0.4, 2.4};
  std::vector<double> errors_mm;
  std::vector<double> over_sigma;
  int shown = 0;
  for (const std::string name : {"r1", "r2", "r3", "r4", "r5"}) {
    const testing::TrueRegister truth = testing::ReadTrueRegister(name);
    for (const std::string station : {"_left", "_right"}) {
      const PhotoView view = TrueView(name + station);
      ASSERT_FALSE(view.bgr.empty());
      std::vector<double> here_mm;
      for (const testing::TrueNote* note :
           testing::NotesInView(truth, testing::ReadTruePhoto(name + station))) {
        const Eigen::Vector3d toward_mount = (note->root_harp_mm - note->tip_harp_mm).normalized();
        const double gap_mm = note->gap_mm / -toward_mount.z();
        const double span_mm = gap_mm + note->LengthMm();
        const Straightened picture(view, {note->tip_harp_mm - gap_mm * toward_mount, toward_mount},
                                   -1.0, span_mm, 3.0);
        for (const double expected_mm : kExpectedMm) {
          ++shown;
          const auto tip = ReadTip(picture, {note->diameter_mm, span_mm}, {0.0, 0.0}, expected_mm);
          if (!tip) continue;
          here_mm.push_back(tip->along_mm - gap_mm);
          over_sigma.push_back(here_mm.back() / tip->sigma_mm);
        }
      }
      std::printf("%s%s: %zu readings, median %+.2f mm, RMS %.2f mm\n", name.c_str(),
                  station.c_str(), here_mm.size(), MedianOf(here_mm), testing::Rms(here_mm));
      errors_mm.insert(errors_mm.end(), here_mm.begin(), here_mm.end());
    }
  }
  std::vector<double> sizes_mm;
  sizes_mm.reserve(errors_mm.size());
  for (const double error : errors_mm) sizes_mm.push_back(std::abs(error));
  const double share = static_cast<double>(errors_mm.size()) / shown;
  std::printf("all: %.0f %% read, median error %.2f, RMS %.2f mm, %.2f of the stated\n",
              100.0 * share, MedianOf(sizes_mm), testing::Rms(errors_mm), testing::Rms(over_sigma));
  EXPECT_GE(share, 0.9);
  EXPECT_LE(MedianOf(sizes_mm), 0.28);
  EXPECT_LE(testing::Rms(errors_mm), 0.42);
  EXPECT_LE(testing::Rms(over_sigma), 1.0);
  EXPECT_GE(testing::Rms(over_sigma), 0.4);
}

}  // namespace
}  // namespace tinesight
