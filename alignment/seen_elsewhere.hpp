#pragma once

#include <cstddef>
#include <optional>
#include <vector>

#include "alignment/harp_solve.hpp"
#include "vision/tine_prediction.hpp"

namespace tinesight {

/// The axis of a solved tine, harp frame.
[[nodiscard]] TineLine LineOf(const SolvedNote& note);

/// A tine's axis, harp frame, as all photos but number `photo` show it: cameras and the pickup's
/// place are taken as solved from all photos, the profile's priors hold. A tine that one photo
/// takes for something else is told by it: the solve over all photos believes in an odd height
/// rather. nullopt where no other photo shows the tine.
[[nodiscard]] std::optional<TineLine> TineSeenElsewhere(
    const std::vector<PhotoObservations>& photos, const HarpSolution& solution,
    const InstrumentProfile& profile, const SolvedNote& note, std::size_t photo);

}  // namespace tinesight
