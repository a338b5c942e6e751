#pragma once

#include <cstddef>
#include <vector>

namespace tinesight {

/// Shares of values at `places` in a local straight line's value at `place`, by weighted least
/// squares with weight times exp(-(distance / reach)²): the local value is the sum of shares times
/// values. What changes evenly along a row pulls nothing aside. The shares sum to 1; some may be
/// below 0 at the row's ends. `weights` is parallel to `places`, above 0.
[[nodiscard]] std::vector<double> LocalLineShares(const std::vector<double>& places,
                                                  const std::vector<double>& weights, double place,
                                                  double reach);

/// Values without their local line: what each has that its neighbors have not. T is a vector of
/// Eigen or a number.
template <typename T>
[[nodiscard]] std::vector<T> WithoutLocalLine(const std::vector<double>& places,
                                              const std::vector<double>& weights,
                                              const std::vector<T>& values, double reach) {
  std::vector<T> result = values;
  for (std::size_t i = 0; i < values.size(); ++i) {
    const std::vector<double> shares = LocalLineShares(places, weights, places[i], reach);
    for (std::size_t k = 0; k < values.size(); ++k) result[i] -= shares[k] * values[k];
  }
  return result;
}

}  // namespace tinesight
