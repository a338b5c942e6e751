#pragma once

#include <optional>
#include <string>

namespace tinesight {

/// What a photo's EXIF says, without anything that would name the phone or the place: no serial
/// number, no position. A missing tag means unknown, never equal.
struct ExifSummary {
  std::string make;
  std::string model;
  std::string lens;
  std::string date_time;  ///< DateTimeOriginal as written, "YYYY:MM:DD HH:MM:SS"
  std::optional<double> focal_length_mm;
  std::optional<double> focal_length_35mm;
  std::optional<double> digital_zoom;  ///< absent where EXIF says 0 (not used)
  int orientation = 1;                 ///< 1–8; 0 and nonsense in the file are taken as 1
};

}  // namespace tinesight
