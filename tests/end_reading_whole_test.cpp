// Where tines end and where they leave their blocks, read on the sample photos about their true
// lines, through the true cameras: the reading alone, without what finding a tine adds.
#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "calibration/median.hpp"
#include "tests/sample_view.hpp"
#include "vision/end_reading.hpp"

namespace tinesight {
namespace {

/// What was read on all sample photos.
struct Readings {
  std::vector<double> errors_mm;
  std::vector<double> over_sigma;
  int shown = 0;

  [[nodiscard]] double Share() const { return static_cast<double>(errors_mm.size()) / shown; }
  [[nodiscard]] double MedianSizeMm() const {
    std::vector<double> sizes_mm;
    sizes_mm.reserve(errors_mm.size());
    for (const double error : errors_mm) sizes_mm.push_back(std::abs(error));
    return MedianOf(sizes_mm);
  }
};

/// How far each reading of a note, expected in one place and another, lies beside the truth.
using Read =
    std::function<std::vector<std::optional<EndPlace>>(const PhotoView&, const testing::TrueNote&)>;

Readings ReadAll(const Read& read) {
  Readings all;
  for (const std::string name : {"r1", "r2", "r3", "r4", "r5"}) {
    const testing::TrueRegister truth = testing::ReadTrueRegister(name);
    for (const std::string station : {"_left", "_right"}) {
      const PhotoView view = testing::TrueView(name + station);
      if (view.bgr.empty()) continue;
      std::vector<double> here_mm;
      for (const testing::TrueNote* note :
           testing::NotesInView(truth, testing::ReadTruePhoto(name + station))) {
        for (const std::optional<EndPlace>& beside : read(view, *note)) {
          ++all.shown;
          if (!beside) continue;
          here_mm.push_back(beside->along_mm);
          all.over_sigma.push_back(beside->along_mm / beside->sigma_mm);
        }
      }
      std::printf("%s%s: %zu readings, median %+.2f mm, RMS %.2f mm\n", name.c_str(),
                  station.c_str(), here_mm.size(), MedianOf(here_mm), testing::Rms(here_mm));
      all.errors_mm.insert(all.errors_mm.end(), here_mm.begin(), here_mm.end());
    }
  }
  std::printf("all: %.0f %% read, median error %.2f, RMS %.2f mm, %.2f of the stated\n",
              100.0 * all.Share(), all.MedianSizeMm(), testing::Rms(all.errors_mm),
              testing::Rms(all.over_sigma));
  return all;
}

// Each end is expected too near to the mount and too far from it: what is expected shall not be
// what is found.
constexpr double kExpectedOffMm[2] = {-1.0, 1.0};

TEST(EndReading, OfTipsOnTheSamplePhotosErrsAsItSays) {
  const Readings tips = ReadAll([](const PhotoView& view, const testing::TrueNote& note) {
    const Eigen::Vector3d toward_mount = (note.root_harp_mm - note.tip_harp_mm).normalized();
    const double gap_mm = note.gap_mm / -toward_mount.z();
    const double span_mm = gap_mm + note.LengthMm();
    const Straightened picture(view, {note.tip_harp_mm - gap_mm * toward_mount, toward_mount}, -1.0,
                               span_mm, 3.0);
    std::vector<std::optional<EndPlace>> beside;
    for (const double off_mm : kExpectedOffMm) {
      beside.push_back(ReadTip(picture, {note.diameter_mm, span_mm}, {0.0, 0.0}, gap_mm + off_mm));
      if (beside.back()) beside.back()->along_mm -= gap_mm;
    }
    return beside;
  });
  EXPECT_GE(tips.Share(), 0.95);
  EXPECT_LE(tips.MedianSizeMm(), 0.17);
  EXPECT_LE(testing::Rms(tips.errors_mm), 0.42);
  EXPECT_LE(testing::Rms(tips.over_sigma), 1.0);
  EXPECT_GE(testing::Rms(tips.over_sigma), 0.4);
}

TEST(EndReading, OfBlocksOnTheSamplePhotosErrsAsItSays) {
  constexpr double kBlockTopMm = 4.0;  // scene.py: 8 mm high, the tine in the middle
  const Readings edges = ReadAll([](const PhotoView& view, const testing::TrueNote& note) {
    std::vector<std::optional<EndPlace>> beside;
    for (const double off_mm : kExpectedOffMm) {
      const Eigen::Vector3d expected =
          note.root_harp_mm + Eigen::Vector3d(0.0, -kBlockTopMm, off_mm);
      beside.push_back(ReadBlockEdge(view, expected));
      if (beside.back()) beside.back()->along_mm += off_mm;
    }
    return beside;
  });
  EXPECT_GE(edges.Share(), 0.9);
  EXPECT_LE(edges.MedianSizeMm(), 0.15);
  // One in thirty is the block's other edge or its neighbor's, which the row of blocks shows.
  std::size_t other_edges = 0;
  for (const double error : edges.errors_mm) other_edges += std::abs(error) > 2.0 ? 1 : 0;
  EXPECT_LE(other_edges, edges.errors_mm.size() / 25);
}

}  // namespace
}  // namespace tinesight
