#pragma once

// Pictures of tags and strips for the tests, made by supersampling the drawing through a camera,
// blurred and toned like a photo, with nothing of the code under test in them: the pattern comes
// from OpenCV's own drawing of the dictionary.

#include <Eigen/Dense>
#include <array>
#include <cmath>
#include <opencv2/aruco.hpp>
#include <opencv2/imgproc.hpp>
#include <random>
#include <vector>

#include "tests/picture_borders.hpp"

namespace tinesight::test {

using Corners = std::array<Eigen::Vector2d, 4>;

/// Whether the paper is white at (u, v) cells of a tag, white outside; every edge is moved by
/// `growth` cells from black into white.
class TagPaper {
 public:
  explicit TagPaper(int id) {
    const auto family = cv::aruco::getPredefinedDictionary(cv::aruco::DICT_APRILTAG_36h11);
    cv::aruco::drawMarker(family, id, 8, bits_, 1);  // one px a cell
  }

  [[nodiscard]] bool IsBlackCell(int col, int row) const {
    return col >= 0 && row >= 0 && col < 8 && row < 8 && bits_.at<unsigned char>(row, col) == 0;
  }

  [[nodiscard]] bool IsWhite(double u, double v, double growth) const {
    const double reach = std::abs(growth);
    for (const double du : {-reach, 0.0, reach}) {
      for (const double dv : {-reach, 0.0, reach}) {
        const bool black =
            IsBlackCell(static_cast<int>(std::floor(u + du)), static_cast<int>(std::floor(v + dv)));
        if (black == (growth >= 0.0)) return !black;
      }
    }
    return growth >= 0.0;
  }

 private:
  cv::Mat bits_;
};

inline Eigen::Matrix3d HomographyThrough(const Corners& px) {
  const std::vector<cv::Point2f> from = {{0, 0}, {8, 0}, {8, 8}, {0, 8}};
  std::vector<cv::Point2f> to;
  for (const auto& p : px) to.emplace_back(static_cast<float>(p.x()), static_cast<float>(p.y()));
  const cv::Mat h = cv::getPerspectiveTransform(from, to);
  Eigen::Matrix3d result;
  for (int r = 0; r < 3; ++r) {
    for (int c = 0; c < 3; ++c) result(r, c) = h.at<double>(r, c);
  }
  return result;
}

/// How a scene of linear light (0 to 1) becomes a photo.
struct Lens {
  double blur_px = 0.7;
  double gamma = 1.0;
  double noise = 0.0;  // gray values
  unsigned seed = 1;
};

/// Averages `sub` × `sub` samples a px of `light(x, y)`, x and y in px with the center of the
/// top-left px at (0, 0); away from all borders the center alone is asked.
template <typename Light>
cv::Mat Supersample(int width, int height, int sub, const Light& light) {
  constexpr double kSameLight = 0.002;
  cv::Mat1f image(height, width);
  for (int y = 0; y < height; ++y) {
    for (int x = 0; x < width; ++x) image(y, x) = static_cast<float>(light(x, y));
  }
  const cv::Mat borders = BordersOf(image, kSameLight);
  for (int y = 0; y < height; ++y) {
    for (int x = 0; x < width; ++x) {
      if (borders.at<unsigned char>(y, x) == 0) continue;
      double sum = 0.0;
      for (int j = 0; j < sub; ++j) {
        for (int i = 0; i < sub; ++i) {
          sum += light(x - 0.5 + (i + 0.5) / sub, y - 0.5 + (j + 0.5) / sub);
        }
      }
      image(y, x) = static_cast<float>(sum / (sub * sub));
    }
  }
  return image;
}

inline cv::Mat Expose(const cv::Mat& light, const Lens& lens) {
  cv::Mat blurred = light;
  if (lens.blur_px > 0.0) {
    const int size = 2 * static_cast<int>(4.0 * lens.blur_px + 1.0) + 1;
    cv::GaussianBlur(light, blurred, cv::Size(size, size), lens.blur_px, lens.blur_px,
                     cv::BORDER_REPLICATE);
  }
  std::mt19937 random(lens.seed);
  std::normal_distribution<double> noise(0.0, std::max(lens.noise, 1e-12));
  cv::Mat photo(light.size(), CV_8U);
  for (int y = 0; y < photo.rows; ++y) {
    for (int x = 0; x < photo.cols; ++x) {
      const double value =
          255.0 * std::pow(std::max(0.0F, blurred.at<float>(y, x)), 1.0 / lens.gamma) +
          (lens.noise > 0.0 ? noise(random) : 0.0);
      photo.at<unsigned char>(y, x) = cv::saturate_cast<unsigned char>(value);
    }
  }
  return photo;
}

inline cv::Mat DrawTagPhoto(int id, const Corners& px, const Lens& lens, double growth_cells = 0.0,
                            int size = 300) {
  const TagPaper paper(id);
  const Eigen::Matrix3d cells_from_px = HomographyThrough(px).inverse();
  const cv::Mat light = Supersample(size, size, 8, [&](double x, double y) {
    const Eigen::Vector3d h = cells_from_px * Eigen::Vector3d(x, y, 1.0);
    return paper.IsWhite(h.x() / h.z(), h.y() / h.z(), growth_cells) ? 0.75 : 0.06;
  });
  return Expose(light, lens);
}

}  // namespace tinesight::test
