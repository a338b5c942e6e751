#pragma once

namespace tinesight {

/// Where the parabola through three samples a step apart has its top: in steps from the middle one,
/// within ±0.5 if that is the largest. 0 where the three lie on a line or open upward.
[[nodiscard]] inline double PeakShift(double left, double middle, double right) {
  constexpr double kLeastBend = 1e-9;
  const double bend = left - 2.0 * middle + right;
  return bend < -kLeastBend ? 0.5 * (left - right) / bend : 0.0;
}

}  // namespace tinesight
