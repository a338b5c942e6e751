#include "vision/residual_noise.hpp"

#include <algorithm>
#include <cmath>

#include "calibration/median.hpp"

namespace tinesight {

double RobustScale(const std::vector<double>& residuals) {
  constexpr double kRounding = 0.3;  // its standard deviation, 1/√12
  if (residuals.empty()) return kRounding;
  std::vector<double> sizes(residuals.size());
  std::transform(residuals.begin(), residuals.end(), sizes.begin(),
                 [](double value) { return std::abs(value); });
  return std::max(RobustDeviation(sizes), kRounding);
}

double NeighbourInflation(const cv::Mat& grid) {
  const double power = grid.dot(grid);
  if (power <= 0.0) return 1.0;
  const auto factor = [power](const cv::Mat& a, const cv::Mat& b) {
    const double rho = std::clamp(a.dot(b) / power, 0.0, 0.9);
    return (1.0 + rho) / (1.0 - rho);
  };
  return factor(grid.colRange(1, grid.cols), grid.colRange(0, grid.cols - 1)) *
         factor(grid.rowRange(1, grid.rows), grid.rowRange(0, grid.rows - 1));
}

}  // namespace tinesight
