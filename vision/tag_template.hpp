#pragma once

#include <opencv2/core/mat.hpp>

namespace tinesight {

/// Cells along the side of a 36h11 tag's black square: six of data and a black border of one.
inline constexpr int kTagCells = 8;
/// White margin of the template around the black square, cells.
inline constexpr double kTemplateMarginCells = 1.5;

/// How a printed tag should look in a photo: 1 where the paper is white, 0 where it is black,
/// blurred as the photo is. Positions (u, v) are cells from the top-left corner of the upright
/// black square, u to the right, v down; the square spans [0, 8] in both.
///
/// `growth_cells` moves every edge from black into white (ink spread; a tone curve does the same
/// to a blurred edge). The outline of the square then no longer stands where the drawing says, but
/// the data cells shrink and grow evenly about their places, so the tag's true square stays known.
class TagTemplate {
 public:
  /// Precondition: HasTag(id). The blur should be at least about one sample.
  TagTemplate(int id, int samples_per_cell);

  /// Whether the 36h11 family has this id (0 to 586).
  [[nodiscard]] static bool HasTag(int id);

  /// Rendered layers, CV_32F, sampled at (u, v) = (index + 0.5) / SamplesPerCell() − margin.
  struct Layers {
    cv::Mat white;          ///< T(u, v)
    cv::Mat du, dv;         ///< slopes, per cell
    cv::Mat duu, dvv, duv;  ///< second derivatives, per cell²: more blur adds half of them times
                            ///< its covariance (the heat equation)
    cv::Mat dgrowth;        ///< dT/d(growth), per cell; only if asked for
  };

  [[nodiscard]] int SamplesPerCell() const { return samples_per_cell_; }

  /// `sigma_u`, `sigma_v`: Gaussian blur along u and v in cells.
  [[nodiscard]] Layers Render(double sigma_u, double sigma_v, double growth_cells,
                              bool with_growth) const;

 private:
  [[nodiscard]] cv::Mat Blurred(double sigma_u, double sigma_v, double growth_cells) const;

  int samples_per_cell_ = 0;
  cv::Mat distance_cells_;  ///< to the nearest black-white edge, positive in white
};

}  // namespace tinesight
