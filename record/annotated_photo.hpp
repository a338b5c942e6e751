#pragma once

#include <filesystem>
#include <opencv2/core/mat.hpp>

#include "alignment/measurement.hpp"
#include "alignment/profile.hpp"
#include "calibration/error.hpp"

namespace tinesight {

/// How much longer than true the offset arrows are drawn: 0.3 mm would be 3 px of 12 megapixels.
inline constexpr double kOffsetArrowScale = 10.0;

/// The photo with what was measured drawn on it, at the same size: per note the tine's axis as
/// found (root to tip solid, then dashed to the pickup's face), the axis as it should be (from the
/// root to the pickup's center at the profile's height), a ring where the pole tip is, an arrow
/// for the lateral offset (kOffsetArrowScale times its length), and a label with name, offset, U
/// and verdict; a caption above and a legend below. Verdicts are told by shape and word too.
///
/// `bgr`: CV_8UC3, upright, as ReadPhoto gives it. Fails when its size is not that of
/// `photo.camera` or when the photo was refused.
[[nodiscard]] Result<cv::Mat> AnnotatePhoto(const cv::Mat& bgr, const PhotoMeasurement& photo,
                                            const VisitMeasurement& visit,
                                            const InstrumentProfile& profile);

/// Writes a picture as JPEG (quality 90, no EXIF), whole or not at all.
[[nodiscard]] Result<void> WriteJpeg(const cv::Mat& bgr, const std::filesystem::path& file);

}  // namespace tinesight
