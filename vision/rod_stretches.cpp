#include "vision/rod_stretches.hpp"

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "calibration/median.hpp"

namespace tinesight {
namespace {

constexpr double kLongestStretchMm = 3.0;
constexpr int kStretchesPerTine = 25;
// Stretches of a short tine are single rows of the picture, with all its noise.
constexpr double kMixedAlongMm = 0.6;

}  // namespace

RodStretches GatherStretches(const Straightened& picture) {
  const int most = cvRound(kLongestStretchMm / Straightened::kAlongStepMm);
  const int rows_each = std::clamp(picture.Rows() / kStretchesPerTine, 1, most);
  const int count = picture.Rows() / rows_each;
  RodStretches result;
  result.length_mm = rows_each * Straightened::kAlongStepMm;
  result.bgr.create(count, picture.Columns(), CV_32FC3);
  std::vector<float> values(static_cast<std::size_t>(rows_each));
  for (int k = 0; k < count; ++k) {
    result.along_mm.push_back(picture.AlongMm(k * rows_each + 0.5 * (rows_each - 1)));
    for (int c = 0; c < picture.Columns(); ++c) {
      for (int channel = 0; channel < 3; ++channel) {
        for (int r = 0; r < rows_each; ++r) {
          values[static_cast<std::size_t>(r)] =
              picture.Bgr().at<cv::Vec3f>(k * rows_each + r, c)[channel];
        }
        result.bgr.at<cv::Vec3f>(k, c)[channel] = MedianOf(values);
      }
    }
  }
  cv::GaussianBlur(result.bgr, result.bgr, {}, 1.4, kMixedAlongMm / result.length_mm,
                   cv::BORDER_REPLICATE);
  return result;
}

RodStretches GatherRows(const Straightened& picture, double from_mm, double to_mm) {
  constexpr int kMost = 72;
  constexpr double kMixedRows = 1.5;
  const int first = std::clamp(cvRound(picture.Row(from_mm)), 0, picture.Rows() - 1);
  const int last = std::clamp(cvRound(picture.Row(to_mm)), first, picture.Rows() - 1);
  const int count = std::min(kMost, last - first + 1);
  const double step = count > 1 ? static_cast<double>(last - first) / (count - 1) : 0.0;
  cv::Mat mixed;
  cv::GaussianBlur(picture.Bgr(), mixed, {1, 0}, 0.0, kMixedRows * (last - first + 1) / kMost,
                   cv::BORDER_REPLICATE);
  RodStretches result;
  result.length_mm = step * Straightened::kAlongStepMm;
  for (int k = 0; k < count; ++k) {
    const int row = first + cvRound(k * step);
    result.bgr.push_back(mixed.row(row));
    result.along_mm.push_back(picture.AlongMm(row));
  }
  return result;
}

cv::Mat GradientNorm(const cv::Mat& bgr) {
  cv::Mat gradient;
  cv::Sobel(bgr, gradient, CV_32F, 1, 0, 1, 0.5, 0.0, cv::BORDER_REPLICATE);
  cv::Mat norm(bgr.size(), CV_32F);
  for (int r = 0; r < bgr.rows; ++r) {
    for (int c = 0; c < bgr.cols; ++c) {
      const cv::Vec3f& g = gradient.at<cv::Vec3f>(r, c);
      // Sobel of ksize 1 mixes no rows; the norm keeps edges between unlike colors.
      norm.at<float>(r, c) = std::sqrt(g.dot(g));
    }
  }
  return norm;
}

RodLine MovedAcross(const RodLine& line, const RodStretches& rows, double span_mm, double first_mm,
                    double last_mm) {
  const double first = rows.along_mm.front();
  const double per_mm = (last_mm - first_mm) / (rows.along_mm.back() - first);
  return {line.tip_mm + first_mm - first * per_mm,
          line.root_mm + first_mm + (span_mm - first) * per_mm};
}

}  // namespace tinesight
