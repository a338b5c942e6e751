#pragma once

#include <cstddef>
#include <vector>

#include "alignment/harp_solve.hpp"
#include "alignment/measure_visit.hpp"
#include "alignment/photo_stage.hpp"

namespace tinesight {

/// Looks at photo `index` of `staged` once more, now that all photos together say where the harp
/// stands and where each tine is: along the tines as they were solved, so that no line is drawn
/// toward where a tine should be, and, where other photos disagree, there too. Looks for the tone
/// bars. A pickup that isn't found again, and all of a photo that can't be read again, stay as
/// first seen. `observations` is what `solution` was solved from, parallel to `staged`.
[[nodiscard]] std::vector<NoteObservation> LookAgain(
    const MeasureRequest& request, const std::vector<StagedPhoto>& staged,
    const std::vector<PhotoObservations>& observations, const HarpSolution& solution,
    std::size_t index);

}  // namespace tinesight
