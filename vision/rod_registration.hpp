#pragma once

#include <vector>

#include "vision/straightened.hpp"

namespace tinesight {

/// A rod in its straightened picture, and where its axis is taken to run.
struct RodStrip {
  const Straightened* picture = nullptr;
  int place = 0;         ///< in the row of notes; rods stand next to those of nearby places
  double from_mm = 0.0;  ///< along: where the rod shows
  double to_mm = 1.0;
  double span_mm = 1.0;    ///< along: the root, where root_mm is counted; tip_mm is at 0
  double radius_mm = 1.0;  ///< of the rod
  double tip_mm = 0.0;     ///< axis, across
  double root_mm = 0.0;
  double weight = 1.0;  ///< how much its neighbors go by it, above 0
};

/// Brings the rods of a photo in line with each other. Round rods of one steel, side by side under
/// the same light, look alike across: highlight, shade and outlines lie at the same shares of the
/// radius, wherever that is. So each rod is shifted until its profile agrees with its neighbors'
/// (PatternStep, every row's brightness and contrast taken out). What the outlines got wrong for
/// one rod alone is averaged over its neighbors that way; what they get wrong for all alike stays,
/// as the shifts' local line along the row is taken out. `rods` must stand in the order of their
/// places; tip_mm and root_mm are changed.
void RegisterRods(std::vector<RodStrip>& rods);

}  // namespace tinesight
