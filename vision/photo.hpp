#pragma once

#include <filesystem>
#include <opencv2/core/mat.hpp>

#include "calibration/camera.hpp"
#include "calibration/error.hpp"
#include "vision/exif.hpp"

namespace tinesight {

/// A photo decoded once, upright (orientation applied), 8 bits a channel.
struct Photo {
  std::filesystem::path file;
  cv::Mat bgr;   ///< CV_8UC3
  cv::Mat gray;  ///< CV_8UC1
  ExifSummary exif;
};

struct PhotoLimits {
  long max_megapixels = 120;  ///< checked on the header, before anything is unpacked
};

/// Reads a JPEG, PNG, TIFF or HEIC file, chosen by its first bytes and never by its name. Refuses
/// a truncated or damaged file, any other format, and a picture over the limit.
[[nodiscard]] Result<Photo> ReadPhoto(const std::filesystem::path& file,
                                      const PhotoLimits& limits = {});

/// The same from a file's bytes; `file` is its name, for messages and Photo::file.
[[nodiscard]] Result<Photo> DecodePhoto(std::string_view bytes, const std::filesystem::path& file,
                                        const PhotoLimits& limits = {});

/// What of a photo's EXIF a camera file keeps, to know its photos again.
[[nodiscard]] CameraExif CameraExifOf(const ExifSummary& exif);

/// Whether the photo was taken with the calibrated camera: same size in px and, where both sides
/// state them, same make, model, lens and focal length, and no digital zoom. The error says which
/// of these differ and what to do. A size turned by 90° is refused with that reason.
[[nodiscard]] Result<void> CheckPhotoMatchesCamera(const Photo& photo, const Camera& camera);

}  // namespace tinesight
