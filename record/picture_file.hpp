#pragma once

#include <filesystem>
#include <string>
#include <string_view>

#include "calibration/error.hpp"

namespace tinesight {

/// The bytes of a JPEG and its size.
struct PlainPicture {
  std::string jpeg;
  int width_px = 0;
  int height_px = 0;
};

/// A photo (JPEG, HEIC, PNG, TIFF) as a JPEG, upright, without anything that the
/// phone wrote into the file: no place, no serial number. It is decoded and encoded anew, so that
/// nothing of the file but its pixels is left, in whatever corner it was. `name` is for messages;
/// a picture with a side over `largest_side_px` is made smaller (0: never).
[[nodiscard]] Result<PlainPicture> PictureWithoutMetadata(std::string_view bytes,
                                                          const std::string& name,
                                                          int largest_side_px = 0);
[[nodiscard]] Result<PlainPicture> ReadPictureWithoutMetadata(const std::filesystem::path& file);

}  // namespace tinesight
