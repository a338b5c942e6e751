#pragma once

#include <cstddef>
#include <opencv2/core/mat.hpp>

namespace tinesight {

/// An ONNX file of this folder, which CMake puts into the program: nothing to find at run time.
/// vision/training tells how they came to be.
struct Network {
  const unsigned char* bytes = nullptr;
  std::size_t size = 0;
};
extern const Network kRodReading;
extern const Network kTipReading;
extern const Network kBlockReading;
extern const Network kPoleReading;

/// What a network tells of a strip of a picture (CV_32FC3, 0 to 255), brought to mean 0 and
/// deviation 1 (first row), and of its mirror image (second row): left and right shall be alike to
/// it. CV_32F.
[[nodiscard]] cv::Mat TellBothWays(const Network& network, const cv::Mat& strip);
/// The same of a network that is told a number as well: one more channel, `also` everywhere.
[[nodiscard]] cv::Mat TellBothWays(const Network& network, const cv::Mat& strip, double also);

}  // namespace tinesight
