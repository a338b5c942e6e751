#include "vision/tag_template.hpp"

#include <algorithm>
#include <opencv2/aruco.hpp>
#include <opencv2/imgproc.hpp>

namespace tinesight {
namespace {

const cv::Ptr<cv::aruco::Dictionary>& Family() {
  static const cv::Ptr<cv::aruco::Dictionary> family =
      cv::aruco::getPredefinedDictionary(cv::aruco::DICT_APRILTAG_36h11);
  return family;
}

/// 255 where the paper is white, one px a sample.
cv::Mat DrawTag(int id) {
  const int n = kTemplateSamplesPerCell;
  const int margin = static_cast<int>(kTemplateMarginCells * n);
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

TagTemplate::TagTemplate(int id) {
  CV_Assert(HasTag(id));
  const cv::Mat white = DrawTag(id);
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
  distance_cells_ = signed_samples * (1.0 / kTemplateSamplesPerCell);
}

cv::Mat TagTemplate::RenderWhite(double sigma_u, double sigma_v, double growth_cells) const {
  cv::Mat white = (distance_cells_ - growth_cells) * kTemplateSamplesPerCell + 0.5;
  cv::min(white, 1.0, white);
  cv::max(white, 0.0, white);
  const double su = std::max(sigma_u * kTemplateSamplesPerCell, 0.05);
  const double sv = std::max(sigma_v * kTemplateSamplesPerCell, 0.05);
  const auto kernel = [](double sigma) { return 2 * static_cast<int>(sigma * 3.5 + 1.0) + 1; };
  cv::Mat blurred;
  cv::GaussianBlur(white, blurred, cv::Size(kernel(su), kernel(sv)), su, sv, cv::BORDER_REPLICATE);
  return blurred;
}

TagTemplate::Layers TagTemplate::Render(double sigma_u, double sigma_v, double growth_cells) const {
  Layers layers;
  layers.white = RenderWhite(sigma_u, sigma_v, growth_cells);
  const double n = kTemplateSamplesPerCell;
  const cv::Mat slope_u = (cv::Mat_<float>(1, 3) << -0.5, 0.0, 0.5) * n;
  cv::filter2D(layers.white, layers.du, CV_32F, slope_u, cv::Point(-1, -1), 0.0,
               cv::BORDER_REPLICATE);
  cv::filter2D(layers.white, layers.dv, CV_32F, slope_u.t(), cv::Point(-1, -1), 0.0,
               cv::BORDER_REPLICATE);
  const double step = 0.05;
  layers.dlogsigma = (RenderWhite(sigma_u * (1.0 + step), sigma_v * (1.0 + step), growth_cells) -
                      RenderWhite(sigma_u * (1.0 - step), sigma_v * (1.0 - step), growth_cells)) *
                     (0.5 / step);
  const double grow = 0.5 / n;
  layers.dgrowth = (RenderWhite(sigma_u, sigma_v, growth_cells + grow) -
                    RenderWhite(sigma_u, sigma_v, growth_cells - grow)) *
                   (0.5 / grow);
  return layers;
}

}  // namespace tinesight
