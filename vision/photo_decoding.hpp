#pragma once

// What the readers of the single formats share. Internal to the folder `vision`.
#include <cstdint>
#include <opencv2/core/mat.hpp>
#include <string>
#include <string_view>

#include "calibration/error.hpp"
#include "vision/photo.hpp"

namespace tinesight {

/// A decoded picture as it stands in the file.
struct DecodedPicture {
  cv::Mat bgr;          ///< CV_8UC3
  ExifSummary exif;     ///< all unknown where the file says nothing
  int orientation = 1;  ///< EXIF's 1–8, still to be applied to `bgr`
};

// Each takes the whole file and `where`, its name for messages. A damaged or truncated file is
// refused; the size in the header is checked against the limits before anything is unpacked.
[[nodiscard]] Result<DecodedPicture> DecodeJpeg(std::string_view bytes, const PhotoLimits& limits,
                                                const std::string& where);
[[nodiscard]] Result<DecodedPicture> DecodePng(std::string_view bytes, const PhotoLimits& limits,
                                               const std::string& where);
[[nodiscard]] Result<DecodedPicture> DecodeTiff(std::string_view bytes, const PhotoLimits& limits,
                                                const std::string& where);
[[nodiscard]] Result<DecodedPicture> DecodeHeic(std::string_view bytes, const PhotoLimits& limits,
                                                const std::string& where);

/// Reads an EXIF block: a TIFF header and its directories, with or without "Exif\0\0" before it.
/// A block that cannot be read says nothing: all unknown.
[[nodiscard]] ExifSummary ReadExifBlock(std::string_view block);

/// Text of EXIF without padding, and without anything that would break a line.
[[nodiscard]] std::string TrimmedExifText(std::string_view text);

/// A positive number of EXIF; 0, negative and not-a-number mean unknown or not used.
[[nodiscard]] std::optional<double> PositiveExifNumber(double value);

/// 1–8; anything else in a file (real phones write 0) means upright.
[[nodiscard]] int ValidOrientation(int orientation);

/// Refuses a size of zero, one beyond the limit, and one that is no photo's.
[[nodiscard]] Result<void> CheckPictureSize(std::uint64_t width_px, std::uint64_t height_px,
                                            const PhotoLimits& limits, const std::string& where);

[[nodiscard]] tl::unexpected<Error> CutShort(const std::string& where);
/// `format` as in "JPEG"; `detail` is the decoder's own words.
[[nodiscard]] tl::unexpected<Error> Damaged(const std::string& where, const std::string& format,
                                            std::string_view detail);

}  // namespace tinesight
