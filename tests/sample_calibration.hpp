#pragma once

// The first half of the whole job: the nominal rig from `strips`, then `calibrate` on the photos of
// the rig, as the README's reader does it.
#include <gtest/gtest.h>

#include <cstdio>
#include <filesystem>
#include <string>

#include "tests/run_command.hpp"
#include "tests/sample_truth.hpp"
#include "tests/temp_folder.hpp"

namespace tinesight::testing {

/// Writes camera.json and rig.json into `folder` and gives what `calibrate` printed. The caliper
/// readings are those of a perfect caliper on the sample print. Use with ASSERT_NO_FATAL_FAILURE.
inline void CalibrateOnSamples(const TempFolder& folder, std::string& report) {
  std::string photos;
  for (int i = 1; i <= 12; ++i) {
    char name[16];
    std::snprintf(name, sizeof name, "rig_%02d.jpg", i);
    const std::filesystem::path file = kSamples / "rig" / name;
    if (std::filesystem::exists(file)) {
      photos.append("'").append(file.string()).append("' ");
    } else {
      ADD_FAILURE() << file << " is missing";
    }
  }
  const CommandOutcome strips = RunTinesight(
      "strips --rig nominal.json --measured-along 99.85 --measured-across 99.90", folder.Path());
  ASSERT_EQ(strips.status, 0) << strips.err;
  const CommandOutcome calibrate = RunTinesight(
      "calibrate " + photos + "--rig nominal.json --camera-out camera.json --rig-out rig.json",
      folder.Path());
  ASSERT_EQ(calibrate.status, 0) << calibrate.err;
  report = calibrate.out;
}

}  // namespace tinesight::testing
