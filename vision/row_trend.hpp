#pragma once

#include <vector>

namespace tinesight {

/// Robust straight line of some value over the row of notes.
struct RowTrend {
  double offset = 0.0;
  double slope = 0.0;
  double scatter = 0.0;  ///< robust standard deviation about the line
  bool usable = false;   ///< false: fewer than five values, the line means nothing
  [[nodiscard]] double At(double x) const { return offset + slope * x; }
};

/// Theil–Sen line, the median of all pairwise slopes (H. Theil 1950, P. K. Sen 1968): shrugs off
/// notes that were misread, up to 29 % of them. The scatter is the normalized median absolute
/// deviation.
[[nodiscard]] RowTrend FitRowTrend(const std::vector<double>& x, const std::vector<double>& value);

/// Which values lie more than `most` beside their trend; all do where there is none to trust.
[[nodiscard]] std::vector<bool> OutOfRow(const std::vector<double>& x,
                                         const std::vector<double>& value, double most);

}  // namespace tinesight
