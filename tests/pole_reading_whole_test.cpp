// The middles of pole tips, read on the sample photos through the true cameras: the reading alone,
// without the row of pickups and their flanges.
#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>
#include <string>
#include <vector>

#include "calibration/median.hpp"
#include "tests/sample_view.hpp"
#include "vision/pole_reading.hpp"

namespace tinesight {
namespace {

constexpr double kWideMm = 3.0;  // pole_tip_diameter_mm of sample_images/instrument.json

TEST(PoleReading, OnTheSamplePhotosErrsAsItSays) {
  // Each is expected beside where it is: what is expected shall not be what is found.
  const std::vector<Eigen::Vector2d> expected_off_mm{{-0.4, 0.3}, {0.5, -0.2}};
  std::vector<double> errors_mm;
  std::vector<double> sizes_mm;
  std::vector<double> over_sigma;
  int shown = 0;
  for (const std::string name : {"r1", "r2", "r3", "r4", "r5"}) {
    const testing::TrueRegister truth = testing::ReadTrueRegister(name);
    for (const std::string station : {"_left", "_right"}) {
      const PhotoView view = testing::TrueView(name + station);
      if (view.bgr.empty()) continue;
      std::vector<double> x_mm;
      std::vector<double> y_mm;
      for (const testing::TrueNote* note :
           testing::NotesInView(truth, testing::ReadTruePhoto(name + station))) {
        for (const Eigen::Vector2d& off_mm : expected_off_mm) {
          ++shown;
          const Eigen::Vector3d beside(off_mm.x(), off_mm.y(), 0.0);
          const auto place = ReadPole(view, note->pickup_harp_mm + beside, kWideMm);
          if (!place) continue;
          const Eigen::Vector2d error_mm = off_mm + place->offset_mm;
          x_mm.push_back(error_mm.x());
          y_mm.push_back(error_mm.y());
          for (const double error : error_mm) {
            errors_mm.push_back(error);
            sizes_mm.push_back(std::abs(error));
            over_sigma.push_back(error / place->sigma_mm);
          }
        }
      }
      std::printf("%s%s: %zu readings, median %+.3f %+.3f mm, RMS %.3f %.3f mm\n", name.c_str(),
                  station.c_str(), x_mm.size(), MedianOf(x_mm), MedianOf(y_mm), testing::Rms(x_mm),
                  testing::Rms(y_mm));
    }
  }
  const double share = static_cast<double>(errors_mm.size()) / (2 * shown);
  std::printf("all: %.0f %% read, median error %.3f, RMS %.3f mm, %.2f of the stated\n",
              100.0 * share, MedianOf(sizes_mm), testing::Rms(errors_mm), testing::Rms(over_sigma));
  EXPECT_GE(share, 0.98);
  EXPECT_LE(MedianOf(sizes_mm), 0.06);
  EXPECT_LE(testing::Rms(errors_mm), 0.1);
  EXPECT_LE(testing::Rms(over_sigma), 1.1);
  EXPECT_GE(testing::Rms(over_sigma), 0.6);
}

}  // namespace
}  // namespace tinesight
