#pragma once

#include <algorithm>
#include <cstddef>
#include <vector>

namespace tinesight {

/// The middle one of the values, of an even number the upper middle one; `values` must not be
/// empty and is put into another order.
template <typename T>
[[nodiscard]] T MedianInPlace(std::vector<T>& values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

/// The same of a copy.
template <typename T>
[[nodiscard]] T MedianOf(std::vector<T> values) {
  return MedianInPlace(values);
}

/// Robust standard deviation of what `sizes` are the absolute values of: their median over that of
/// a normal distribution, Φ⁻¹(3/4) = 1 / 1.4826. Conditions as for MedianInPlace.
template <typename T>
[[nodiscard]] double RobustDeviation(std::vector<T>& sizes) {
  return 1.4826 * static_cast<double>(MedianInPlace(sizes));
}

}  // namespace tinesight
