#pragma once

#include <filesystem>
#include <string>

#include "calibration/error.hpp"

namespace tinesight {

/// A photo (JPEG, HEIC, PNG, TIFF) as the bytes of a JPEG, upright, without anything that the
/// phone wrote into the file: no place, no serial number.
[[nodiscard]] Result<std::string> ReadPictureWithoutMetadata(const std::filesystem::path& file);

}  // namespace tinesight
