// Sharpening must make edges steeper and move nothing.
#include "vision/sharpening.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <opencv2/core.hpp>

namespace tinesight {
namespace {

constexpr int kWide = 4032;  // the blur goes with the picture's width
constexpr int kMiddle = 2000;

/// A bright bar of 17 px, as a tine's, blurred, on a darker ground.
cv::Mat BlurredBar() {
  cv::Mat bar(8, kWide, CV_8UC1);
  for (int c = 0; c < bar.cols; ++c) {
    const double t = std::abs(c - kMiddle) - 8.5;
    bar.col(c).setTo(cv::Scalar(90.0 + 40.0 * (1.0 - std::tanh(t / 3.0))));
  }
  return bar;
}

int Steepest(const cv::Mat& picture) {
  int steepest = 0;
  for (int c = 1; c < picture.cols; ++c) {
    steepest = std::max(steepest, std::abs(picture.at<uchar>(4, c) - picture.at<uchar>(4, c - 1)));
  }
  return steepest;
}

TEST(Sharpening, MakesEdgesSteeper) {
  const cv::Mat bar = BlurredBar();
  EXPECT_GE(Steepest(Sharpened(bar)), 1.1 * Steepest(bar));
}

TEST(Sharpening, KeepsWhatIsSymmetricInItsPlaceAndWhatIsFlatAsItIs) {
  const cv::Mat sharp = Sharpened(BlurredBar());
  for (int d = 1; d < 60; ++d) {
    EXPECT_NEAR(sharp.at<uchar>(4, kMiddle - d), sharp.at<uchar>(4, kMiddle + d), 1) << d;
  }
  EXPECT_EQ(sharp.at<uchar>(4, 100), 90);
  EXPECT_EQ(sharp.at<uchar>(0, 100), 90) << "at the border, too";
}

TEST(Sharpening, LeavesThePictureThatItIsGiven) {
  const cv::Mat color(40, 60, CV_8UC3, cv::Scalar(10, 120, 250));
  const cv::Mat before = color.clone();
  const cv::Mat sharp = Sharpened(color);
  EXPECT_EQ(cv::norm(color, before, cv::NORM_INF), 0.0);
  EXPECT_EQ(cv::norm(sharp, before, cv::NORM_INF), 0.0) << "a plain color has nothing to sharpen";
}

}  // namespace
}  // namespace tinesight
