#pragma once

#include <Eigen/Core>
#include <opencv2/core/mat.hpp>
#include <optional>
#include <vector>

#include "vision/tag_place.hpp"

namespace tinesight {

/// Part of a tag's surroundings that does not look like the template (a checkerboard square
/// beside it), in cells of that tag. Not used in the fit.
struct TagExclusion {
  Eigen::Vector2d center_cells;
  double half_size_cells = 0.0;
};

/// A tag's picture fitted by its printed pattern.
struct TagFit {
  TagCorners corners_px;
  double sigma_px = 0.0;  ///< standard uncertainty of a corner coordinate, from the residuals
  double blur_px = 0.0;   ///< Gaussian sigma of the blur
  double growth_cells = 0.0;
  double explained = 0.0;  ///< share of the picture's variance that the pattern explains, to 1
};

/// Fits corners, blur, edge growth, tone curve and light of tag `id` to the photo, all pixels of
/// the square and its margin at once, from corners known to about a third of a cell.
///
/// Why not the four sides alone: a blurred side is shifted by the tone curve of the camera and by
/// ink, and cells of 1.5 mm leave little room for an edge that is blurred over 8 px. The data
/// cells' edges are six times as long as the outline, they are known from the id, and those that
/// face left and right (up and down) shift against each other: growth and position separate.
///
/// Model of a pixel at x: I = b(x) + a(x) (T + T (1 − T) (c + d (1 − 2 T))) with T the blurred,
/// grown template at the homography of the four corners, a and b planes, c and d the quadratic and
/// cubic bend of the tone curve (gamma). Levenberg–
/// Marquardt with Huber weights; the scatter of the residuals, widened by their correlation
/// between neighbouring pixels, gives sigma_px.
///
/// Nothing if the tag reaches over the picture's border or the pattern does not fit.
[[nodiscard]] std::optional<TagFit> FitTag(const cv::Mat& gray, int id, const TagCorners& start_px,
                                           const std::vector<TagExclusion>& exclusions = {});

}  // namespace tinesight
