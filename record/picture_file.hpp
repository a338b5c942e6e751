#pragma once

#include <filesystem>
#include <opencv2/core/types.hpp>
#include <optional>
#include <string>
#include <string_view>

#include "calibration/error.hpp"

namespace tinesight {

/// A photo (JPEG, HEIC, PNG, TIFF) as the bytes of a JPEG, upright, without anything that the
/// phone wrote into the file: no place, no serial number. It is decoded and encoded anew, so that
/// nothing of the file but its pixels is left, in whatever corner it was. `name` is for messages;
/// a picture with a side over `largest_side_px` is made smaller (0: never).
[[nodiscard]] Result<std::string> PictureWithoutMetadata(std::string_view bytes,
                                                         const std::string& name,
                                                         int largest_side_px = 0);
[[nodiscard]] Result<std::string> ReadPictureWithoutMetadata(const std::filesystem::path& file);

/// Width and height of a JPEG, px; none where it can't be decoded.
[[nodiscard]] std::optional<cv::Size> PictureSize(const std::string& jpeg);

}  // namespace tinesight
