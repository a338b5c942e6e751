#include "vision/tag_template.hpp"

#include <algorithm>
#include <cmath>
#include <opencv2/aruco.hpp>
#include <opencv2/imgproc.hpp>

namespace tinesight {
namespace {

const cv::Ptr<cv::aruco::Dictionary>& Family() {
  static const cv::Ptr<cv::aruco::Dictionary> family =
      cv::aruco::getPredefinedDictionary(cv::aruco::DICT_APRILTAG_36h11);
  return family;
}

/// 255 where the paper is white, `n` px a cell.
cv::Mat DrawTag(int id, int n) {
  const int margin = static_cast<int>(std::ceil(kTemplateMarginCells * n));
  const int size = kTagCells * n + 2 * margin;
  cv::Mat image(size, size, CV_8U, cv::Scalar(255));
  image(cv::Rect(margin, margin, kTagCells * n, kTagCells * n)).setTo(0);
  const cv::Mat bits =
      cv::aruco::Dictionary::getBitsFromByteList(Family()->bytesList.rowRange(id, id + 1), 6);
  for (int row = 0; row < 6; ++row) {
    for (int col = 0; col < 6; ++col) {
      if (bits.at<unsigned char>(row, col) == 0) continue;
      image(cv::Rect(margin + (col + 1) * n, margin + (row + 1) * n, n, n)).setTo(255);
    }
  }
  return image;
}

}  // namespace

bool TagTemplate::HasTag(int id) { return id >= 0 && id < Family()->bytesList.rows; }

TagTemplate::TagTemplate(int id, int samples_per_cell) : samples_per_cell_(samples_per_cell) {
  CV_Assert(HasTag(id));
  const cv::Mat white = DrawTag(id, samples_per_cell);
  cv::Mat inside_white;
  cv::Mat inside_black;
  cv::distanceTransform(white, inside_white, cv::DIST_L2, cv::DIST_MASK_PRECISE);
  cv::distanceTransform(255 - white, inside_black, cv::DIST_L2, cv::DIST_MASK_PRECISE);
  // distanceTransform counts to the center of the nearest zero pixel, half a sample past the edge.
  cv::Mat signed_samples = inside_white - inside_black;
  for (int row = 0; row < white.rows; ++row) {
    for (int col = 0; col < white.cols; ++col) {
      float& value = signed_samples.at<float>(row, col);
      value += value > 0.0F ? -0.5F : 0.5F;
    }
  }
  distance_cells_ = signed_samples * (1.0 / samples_per_cell_);
}

cv::Mat TagTemplate::Blurred(double sigma_u, double sigma_v, double growth_cells) const {
  cv::Mat white = (distance_cells_ - growth_cells) * samples_per_cell_ + 0.5;
  cv::min(white, 1.0, white);
  cv::max(white, 0.0, white);
  const double su = std::max(sigma_u * samples_per_cell_, 0.05);
  const double sv = std::max(sigma_v * samples_per_cell_, 0.05);
  const auto kernel = [](double sigma) { return 2 * static_cast<int>(sigma * 3.5 + 1.0) + 1; };
  cv::Mat blurred;
  cv::GaussianBlur(white, blurred, cv::Size(kernel(su), kernel(sv)), su, sv, cv::BORDER_REPLICATE);
  return blurred;
}

TagTemplate::Layers TagTemplate::Render(double sigma_u, double sigma_v, double growth_cells,
                                        bool with_growth) const {
  Layers layers;
  layers.white = Blurred(sigma_u, sigma_v, growth_cells);
  const double n = samples_per_cell_;
  const cv::Mat slope = (cv::Mat_<float>(1, 3) << -0.5, 0.0, 0.5) * n;
  const cv::Mat bend = (cv::Mat_<float>(1, 3) << 1.0, -2.0, 1.0) * (n * n);
  const auto filtered = [](const cv::Mat& layer, const cv::Mat& kernel) {
    cv::Mat result;
    cv::filter2D(layer, result, CV_32F, kernel, cv::Point(-1, -1), 0.0, cv::BORDER_REPLICATE);
    return result;
  };
  layers.du = filtered(layers.white, slope);
  layers.dv = filtered(layers.white, slope.t());
  layers.duu = filtered(layers.white, bend);
  layers.dvv = filtered(layers.white, bend.t());
  layers.duv = filtered(layers.du, slope.t());
  if (with_growth) {
    const double grow = 0.5 / n;
    layers.dgrowth = (Blurred(sigma_u, sigma_v, growth_cells + grow) -
                      Blurred(sigma_u, sigma_v, growth_cells - grow)) *
                     (0.5 / grow);
  }
  return layers;
}

}  // namespace tinesight
