#pragma once

#include <opencv2/core/mat.hpp>

namespace tinesight {

/// Standard deviation of a photo's noise, gray levels: of what the difference of two Laplacians
/// leaves of its gray picture (CV_8U), which edges hardly change. J. Immerkær, "Fast noise variance
/// estimation", Computer Vision and Image Understanding 64 (1996) 300-302 (from memory), with the
/// median for the mean. It is for noise that differs from pixel to pixel; what compression or the
/// phone has smoothed already is told as less than it is. 0 for pictures less than 3 px wide or
/// high.
[[nodiscard]] double NoiseSigma(const cv::Mat& gray);

/// Noise, gray levels, above which a photo is grainy: lines in it err more than is stated, unless
/// it is smoothed.
inline constexpr double kGrainyNoise = 2.0;

/// The picture with the blur of a wide lens partly taken back, by unsharp masking (a share of what
/// a Gaussian blur takes away is added; R. C. Gonzalez and R. E. Woods, "Digital Image Processing",
/// ch. 3, from memory). What is symmetric stays where it is. CV_8U, any channels; the result is
/// new. The blur's width goes with the picture's. A grainy picture, by its NoiseSigma(), is first
/// smoothed until about kGrainyNoise is left. Chosen on copies of the sample photos with noise of
/// 8: with 1.0, 1.2 and 1.5 px of smoothing the lateral error of two stations was 0.066, 0.069 and
/// 0.076 mm, with none 0.106 mm.
///
/// The sharpening was chosen on rendered photos of five harps by two makers: the lateral error of
/// two stations fell by 2 to 14 % on four of them and rose by 7 % on the fifth, of 17 notes; from
/// 1.5 px and a share of 1 to 3 px and 0.7 it was much the same, at 3 px and 1.4 two of the five
/// were clearly worse.
[[nodiscard]] cv::Mat Sharpened(const cv::Mat& picture, double noise_sigma);

}  // namespace tinesight
