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

/// The same weights, but less for values (vectors of Eigen) that the local line through the others
/// contradicts: `usual` off it the half, further off less still.
template <typename T>
[[nodiscard]] std::vector<double> WeightsInLine(const std::vector<double>& places,
                                                const std::vector<double>& weights,
                                                const std::vector<T>& values, double reach,
                                                double usual) {
  constexpr int kTimes = 4;
  std::vector<double> in_line = weights;
  for (int time = 0; time < kTimes; ++time) {
    const std::vector<T> beside = WithoutLocalLine(places, in_line, values, reach);
    for (std::size_t k = 0; k < values.size(); ++k) {
      in_line[k] = weights[k] / (1.0 + beside[k].squaredNorm() / (usual * usual));
    }
  }
  return in_line;
}

/// How much a fit of one's own should count against what one's neighbors say, 0 to 1, if the two
/// are `apart`: half, since they err in different ways; `usual` apart a quarter, further less, for
/// then it is the own fit that has caught something else.
[[nodiscard]] constexpr double OwnShare(double apart, double usual) {
  return 0.5 / (1.0 + apart * apart / (usual * usual));
}

}  // namespace tinesight
