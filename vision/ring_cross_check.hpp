#pragma once

#include <vector>

#include "vision/pickup_detection.hpp"

namespace tinesight {

/// Holds the rings of each pickup against each other: takes their real scatter for their
/// uncertainty and drops a ring that disagrees with every other one of its pickup.
void CrossCheckRings(std::vector<DetectedPickup>& pickups);

}  // namespace tinesight
