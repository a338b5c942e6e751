#pragma once

#include <opencv2/imgproc.hpp>
#include <vector>

namespace tinesight::test {

/// Where a pixel is by more than `same` not the mean of those around it, in any channel: a border
/// passes through it or beside it. A scene that is drawn by samples needs many in such pixels only.
inline cv::Mat BordersOf(const cv::Mat& picture, double same) {
  cv::Mat mean;
  cv::blur(picture, mean, {3, 3});
  cv::Mat off;
  cv::absdiff(picture, mean, off);
  std::vector<cv::Mat> of_channel;
  cv::split(off, of_channel);
  cv::Mat borders = cv::Mat::zeros(picture.size(), CV_8U);
  for (const cv::Mat& channel : of_channel) borders |= channel > same;
  return borders;
}

}  // namespace tinesight::test
