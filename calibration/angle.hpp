#pragma once

#include <numbers>

namespace tinesight {

/// Angles are in rad inside, in degrees on screens and in files that people read.
inline constexpr double kRadPerDeg = std::numbers::pi / 180.0;
inline constexpr double kDegPerRad = 180.0 / std::numbers::pi;

}  // namespace tinesight
