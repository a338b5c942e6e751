#include "vision/sharpening.hpp"

#include <algorithm>
#include <opencv2/imgproc.hpp>

namespace tinesight {

cv::Mat Sharpened(const cv::Mat& picture) {
  constexpr double kShare = 0.5;
  constexpr double kSigmaPx = 2.5;      // in a picture of
  constexpr double kLongSidePx = 4032;  // px, the long side
  const double sigma_px = kSigmaPx / kLongSidePx * std::max(picture.cols, picture.rows);
  cv::Mat blurred;
  cv::GaussianBlur(picture, blurred, {}, sigma_px, 0.0, cv::BORDER_REPLICATE);
  cv::Mat sharpened;
  cv::addWeighted(picture, 1.0 + kShare, blurred, -kShare, 0.0, sharpened);
  return sharpened;
}

}  // namespace tinesight
