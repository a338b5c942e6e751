#pragma once

#include <opencv2/core/mat.hpp>
#include <vector>

namespace tinesight {

/// Robust standard deviation of residuals in gray values, not below what rounding to whole gray
/// values leaves.
[[nodiscard]] double RobustScale(const std::vector<double>& residuals);

/// By how much the variance of a fit grows because neighbouring pixels err alike (demosaicing,
/// JPEG, what the model lacks): for a first-order process (1 + rho) / (1 − rho) an axis.
/// `grid`: CV_32F, residuals in their places, 0 where there is none.
[[nodiscard]] double NeighbourInflation(const cv::Mat& grid);

}  // namespace tinesight
