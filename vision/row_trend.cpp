#include "vision/row_trend.hpp"

#include <cmath>

#include "calibration/median.hpp"

namespace tinesight {

RowTrend FitRowTrend(const std::vector<double>& x, const std::vector<double>& value) {
  RowTrend trend;
  if (x.size() < 5) return trend;
  std::vector<double> slopes;
  for (std::size_t i = 0; i < x.size(); ++i) {
    for (std::size_t j = i + 1; j < x.size(); ++j) {
      slopes.push_back((value[j] - value[i]) / (x[j] - x[i]));
    }
  }
  trend.slope = MedianOf(slopes);
  std::vector<double> offsets;
  for (std::size_t i = 0; i < x.size(); ++i) offsets.push_back(value[i] - trend.slope * x[i]);
  trend.offset = MedianOf(offsets);
  for (double& o : offsets) o = std::abs(o - trend.offset);
  trend.scatter = RobustDeviation(offsets);
  trend.usable = true;
  return trend;
}

std::vector<bool> OutOfRow(const std::vector<double>& x, const std::vector<double>& value,
                           double most) {
  const RowTrend trend = FitRowTrend(x, value);
  std::vector<bool> out;
  for (std::size_t i = 0; i < x.size(); ++i) {
    out.push_back(!trend.usable || std::abs(value[i] - trend.At(x[i])) > most);
  }
  return out;
}

}  // namespace tinesight
