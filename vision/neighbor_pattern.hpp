#pragma once

#include <cstddef>
#include <vector>

#include "vision/rod_search.hpp"

namespace tinesight {

/// What the rod at `index` of a row should look like: the mean of its neighbors' profiles, the
/// nearer the heavier. One that is unlike the others is most likely not on its rod, and counts
/// little. Profiles are of one length, those of rods that were not found empty. Empty where no
/// neighbor is left.
[[nodiscard]] RodProfile NeighborPattern(const std::vector<RodProfile>& profiles,
                                         std::size_t index);

}  // namespace tinesight
