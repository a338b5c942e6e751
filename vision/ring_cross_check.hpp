#pragma once

#include <vector>

#include "vision/pickup_detection.hpp"

namespace tinesight {

/// Holds the rings of each pickup against each other: takes their real scatter for their
/// uncertainty and drops a ring that disagrees with every other one of its pickup.
void CrossCheckRings(std::vector<DetectedPickup>& pickups);

/// Holds poles in their row (FindPolesInRow) against the flanges: what these don't explain of the
/// scatter between the two is the poles' uncertainty, and one that stands out is dropped, as a pole
/// may be scratched or of another make. Flanges stay as they are.
void CheckPolesInRow(std::vector<DetectedPickup>& pickups);

}  // namespace tinesight
