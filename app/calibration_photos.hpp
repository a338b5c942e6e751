#pragma once

#include <opencv2/core.hpp>
#include <optional>
#include <string>
#include <vector>

#include "calibration/error.hpp"
#include "calibration/rig.hpp"
#include "calibration/survey.hpp"
#include "vision/photo.hpp"

namespace tinesight {

/// A photo on its way through the survey. Only the gray picture is kept.
struct CalibrationPhoto {
  std::string name;
  cv::Mat gray;
  ExifSummary exif;
  RigObservations observations;
  std::optional<Error> failure;
};

/// Reads `files` on several threads. What can't be read, or is a copy of another, has a failure.
[[nodiscard]] std::vector<CalibrationPhoto> LoadPhotos(const std::vector<std::string>& files,
                                                       int threads);

/// The photos with their tags, in one frame; tells of those that cannot be used and drops them.
/// Gives the EXIF orientation of the frame.
[[nodiscard]] Result<int> PreparePhotos(std::vector<CalibrationPhoto>& photos, const Rig& rig,
                                        int threads);

/// Adds to the observations of the photos that a rough `survey` used where they show the rig's
/// saddle points. Its reports are in the photos' order.
void FindPoints(std::vector<CalibrationPhoto>& photos, const Survey& survey, int threads);

}  // namespace tinesight
