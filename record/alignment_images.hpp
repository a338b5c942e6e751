#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "calibration/error.hpp"
#include "record/service_record.hpp"

namespace tinesight {

struct AlignmentImages {
  std::size_t written = 0;
  std::vector<std::string> trouble;  ///< photos that could not be shown, one line each
};

/// File name of a note's alignment image: "F#1_as_found.jpg".
[[nodiscard]] std::string AlignmentImageName(const ServiceRecord& record, const Visit& visit,
                                             const NoteMeasurement& note);

/// Writes one JPEG for each note of a visit into `folder` (made if missing): the photo around the
/// note with its overlay, the cross-section at the pickup, the figures, and a caption, which is in
/// EXIF's ImageDescription too. Nothing of the photo's own EXIF is in it. Each file is written
/// whole or not at all; one of the same name is replaced.
[[nodiscard]] Result<AlignmentImages> WriteAlignmentImages(const ServiceRecord& record,
                                                           const Visit& visit,
                                                           const std::filesystem::path& folder);

}  // namespace tinesight
