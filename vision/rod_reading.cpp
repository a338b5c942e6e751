#include "vision/rod_reading.hpp"

#include <Eigen/Core>
#include <Eigen/LU>
#include <algorithm>
#include <cmath>
#include <opencv2/core.hpp>
#include <opencv2/imgproc.hpp>

#include "vision/network.hpp"

namespace tinesight {
namespace {

// As in vision/training/network.py.
constexpr int kStripRows = 64;
constexpr int kStripColumns = 64;
constexpr double kHalfWidth = 1.6;  // of the strip, diameters
constexpr double kUnit = 0.1;       // of the offsets that the network tells, diameters
constexpr double kLeastLogWeight = -8.0;
constexpr double kMostLogWeight = 6.0;

constexpr double kUsualErrorMm = 0.06;  // standard deviation of the start's errors at either end

/// The strip about a line, in the network's rows and columns.
cv::Mat StripAbout(const RodStretches& rows, const AcrossScale& scale, const ShownRod& rod,
                   const RodLine& line) {
  cv::Mat columns(kStripRows, kStripColumns, CV_32F);
  cv::Mat lines(kStripRows, kStripColumns, CV_32F);
  const double first = rows.along_mm.front();
  const double last = rows.along_mm.back();
  for (int r = 0; r < kStripRows; ++r) {
    const double share = static_cast<double>(r) / (kStripRows - 1);
    const double middle = line.At(first + share * (last - first), rod.span_mm);
    for (int c = 0; c < kStripColumns; ++c) {
      const double across = kHalfWidth * (2.0 * c / (kStripColumns - 1) - 1.0) * rod.diameter_mm;
      columns.at<float>(r, c) = static_cast<float>(scale.Column(middle + across));
      lines.at<float>(r, c) = static_cast<float>(share * (rows.bgr.rows - 1));
    }
  }
  cv::Mat strip;
  cv::remap(rows.bgr, strip, columns, lines, cv::INTER_LINEAR, cv::BORDER_REPLICATE);
  return strip;
}

/// What the network tells of a strip: a row of offsets, a row of logarithms of weights.
cv::Mat TellRows(const cv::Mat& strip) {
  const cv::Mat told = TellBothWays(kRodReading, strip).reshape(1, 4);
  cv::Mat mean(2, told.cols, CV_32F);
  mean.row(0) = 0.5 * (told.row(0) - told.row(2));
  mean.row(1) = 0.5 * (told.row(1) + told.row(3));
  return mean;
}

}  // namespace

double RodReading::SigmaMm(double along_mm) const {
  const double share = (along_mm - first_mm) / (last_mm - first_mm);
  const Eigen::Vector2d ends(1.0 - share, share);
  return std::sqrt(ends.dot(covariance_mm2 * ends));
}

RodReading ReadRod(const RodStretches& rows, const AcrossScale& scale, const ShownRod& rod,
                   const RodLine& start) {
  constexpr std::size_t kFewestRows = 4;
  if (rows.along_mm.size() < kFewestRows) {
    return {start, 0.0, rod.span_mm, kUsualErrorMm * kUsualErrorMm * Eigen::Matrix2d::Identity()};
  }
  const cv::Mat told = TellRows(StripAbout(rows, scale, rod, start));
  // In diameters, at the first and the last row.
  const double usual = kUsualErrorMm / rod.diameter_mm;
  Eigen::Matrix2d information = Eigen::Matrix2d::Identity() / (usual * usual);
  Eigen::Vector2d sum = Eigen::Vector2d::Zero();
  for (int k = 0; k < told.cols; ++k) {
    const double share = 2.0 * k / (kStripRows - 1);
    const Eigen::Vector2d ends(1.0 - share, share);
    const double log_weight =
        std::clamp(static_cast<double>(told.at<float>(1, k)), kLeastLogWeight, kMostLogWeight);
    const double weight = std::exp(log_weight) / (kUnit * kUnit * told.cols);
    information += weight * ends * ends.transpose();
    sum += weight * kUnit * told.at<float>(0, k) * ends;
  }
  const Eigen::Matrix2d covariance = rod.diameter_mm * rod.diameter_mm * information.inverse();
  const Eigen::Vector2d offset_mm = covariance * sum / rod.diameter_mm;
  return {MovedAcross(start, rows, rod.span_mm, offset_mm.x(), offset_mm.y()),
          rows.along_mm.front(), rows.along_mm.back(), covariance};
}

}  // namespace tinesight
