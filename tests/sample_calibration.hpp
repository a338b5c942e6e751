#pragma once

// The first half of the whole job: the nominal rig from `strips`, then `calibrate` on the photos of
// the rig, as the README's reader does it.
#include <gtest/gtest.h>

#include <filesystem>
#include <string>
#include <vector>

#include "tests/run_command.hpp"
#include "tests/sample_truth.hpp"
#include "tests/temp_folder.hpp"

namespace tinesight::testing {

inline std::vector<std::string> RigPhotoNames() {
  std::vector<std::string> names;
  for (const char* const number :
       {"01", "02", "03", "04", "05", "06", "07", "08", "09", "10", "11", "12"}) {
    names.push_back(std::string("rig_").append(number));
  }
  return names;
}

/// Writes camera.json and rig.json into `folder` and gives what `calibrate` printed. The caliper
/// readings are those of a perfect caliper on the sample print. Use with ASSERT_NO_FATAL_FAILURE.
inline void CalibrateOnSamples(const TempFolder& folder, std::string& report) {
  std::string photos;
  for (const std::string& name : RigPhotoNames()) {
    const std::filesystem::path file = kSamples / "rig" / (name + ".jpg");
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
