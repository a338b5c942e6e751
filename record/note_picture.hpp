#pragma once

// For record/ alone.
#include <cstddef>
#include <opencv2/core/mat.hpp>
#include <optional>

#include "alignment/measurement.hpp"
#include "alignment/profile.hpp"

namespace tinesight {

/// How much longer than true the offset arrows of a note's picture are drawn: at ten times, as on
/// the whole photo, a tine that is 2 mm off would point out of the picture.
inline constexpr double kPictureArrowScale = 5.0;

/// Which photo shows a note best: of those that saw it, the one with its pickup nearest to the
/// middle of the picture, where the view is least oblique and the lens sharpest. Nothing where no
/// used photo has the note's root and pickup in view.
[[nodiscard]] std::optional<std::size_t> BestPhotoOf(const VisitMeasurement& visit, int midi);

/// A square of `size_px` cut out of the photo around one note, from mount to pickup, with the
/// overlay of AnnotatePhoto. `note` must belong to the same solve as the photo's pose. Empty where
/// the note is not in the photo.
/// `bgr`: CV_8UC3, upright, of the camera's size.
[[nodiscard]] cv::Mat NotePicture(const cv::Mat& bgr, const PhotoMeasurement& photo,
                                  const NoteMeasurement& note, const NoteProfile* nominal,
                                  int size_px);

}  // namespace tinesight
