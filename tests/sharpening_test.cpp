// Sharpening must make edges steeper and move nothing; noise must be told from edges, and smoothed.
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
  EXPECT_GE(Steepest(Sharpened(bar, 0.0)), 1.1 * Steepest(bar));
}

TEST(Sharpening, KeepsWhatIsSymmetricInItsPlaceAndWhatIsFlatAsItIs) {
  const cv::Mat sharp = Sharpened(BlurredBar(), 0.0);
  for (int d = 1; d < 60; ++d) {
    EXPECT_NEAR(sharp.at<uchar>(4, kMiddle - d), sharp.at<uchar>(4, kMiddle + d), 1) << d;
  }
  EXPECT_EQ(sharp.at<uchar>(4, 100), 90);
  EXPECT_EQ(sharp.at<uchar>(0, 100), 90) << "at the border, too";
}

TEST(Sharpening, LeavesThePictureThatItIsGiven) {
  const cv::Mat color(40, 60, CV_8UC3, cv::Scalar(10, 120, 250));
  const cv::Mat before = color.clone();
  const cv::Mat sharp = Sharpened(color, 0.0);
  EXPECT_EQ(cv::norm(color, before, cv::NORM_INF), 0.0);
  EXPECT_EQ(cv::norm(sharp, before, cv::NORM_INF), 0.0) << "a plain color has nothing to sharpen";
}

/// Bars all over, under noise: what a photo is, to an estimator that wants noise alone.
cv::Mat NoisyBars(double sigma) {
  cv::Mat bars(400, 600, CV_32F);
  for (int c = 0; c < bars.cols; ++c) {
    bars.col(c).setTo(cv::Scalar(120.0 + 60.0 * std::tanh(6.0 * std::sin(c / 9.0))));
  }
  cv::Mat noise(bars.size(), CV_32F);
  cv::RNG rng(7);
  rng.fill(noise, cv::RNG::NORMAL, 0.0, sigma);
  cv::Mat noisy;
  cv::Mat(bars + noise).convertTo(noisy, CV_8U);
  return noisy;
}

TEST(NoiseSigma, IsThatOfTheNoiseWhateverEdgesThereAre) {
  // Gray levels are whole: that alone is 0.29 of noise. Its median counts in steps of 0.25.
  for (const double sigma : {2.0, 5.0, 9.0}) {
    EXPECT_NEAR(NoiseSigma(NoisyBars(sigma)), sigma, 0.05 * sigma + 0.15) << sigma;
  }
  EXPECT_LT(NoiseSigma(NoisyBars(0.0)), 0.5);
}

TEST(NoiseSigma, IsNoneOfAPictureTooSmallToTell) {
  EXPECT_EQ(NoiseSigma(cv::Mat(2, 500, CV_8UC1, cv::Scalar(9))), 0.0);
  EXPECT_EQ(NoiseSigma(cv::Mat()), 0.0);
}

TEST(Sharpening, SmoothsAGrainyPictureFirst) {
  const cv::Mat grainy = NoisyBars(8.0);
  const double noise = NoiseSigma(grainy);
  EXPECT_LT(NoiseSigma(Sharpened(grainy, noise)), kGrainyNoise);
  EXPECT_GT(NoiseSigma(Sharpened(grainy, 0.0)), noise) << "unless it is not told";
  // It moves nothing and doesn't darken.
  EXPECT_NEAR(cv::mean(Sharpened(grainy, noise))[0], cv::mean(grainy)[0], 0.5);
}

TEST(Sharpening, LeavesTheLittleNoiseOfAPlainPhoto) {
  const cv::Mat plain = NoisyBars(1.0);
  EXPECT_EQ(cv::norm(Sharpened(plain, NoiseSigma(plain)), Sharpened(plain, 0.0), cv::NORM_INF),
            0.0);
}

}  // namespace
}  // namespace tinesight
