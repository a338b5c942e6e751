#pragma once

#include <cstddef>
#include <string>
#include <vector>

#include "alignment/harp_solve.hpp"
#include "alignment/measure_visit.hpp"
#include "alignment/photo_stage.hpp"

namespace tinesight {

struct SecondLook {
  std::vector<NoteObservation> notes;
  std::vector<std::string> warnings;  ///< that its debug pictures can't be written
};

/// Looks at photo `index` of `staged` once more, now that all photos together say where the harp
/// stands and where each tine and pickup is: along the tines as they were solved, so that no line
/// is drawn toward where a tine should be, and, where other photos disagree, there too. Looks for
/// the tone bars. All of a photo that can't be read again stays as first seen. `observations` is
/// what `solution` was solved from, parallel to `staged`.
[[nodiscard]] SecondLook LookAgain(const MeasureRequest& request,
                                   const std::vector<StagedPhoto>& staged,
                                   const std::vector<PhotoObservations>& observations,
                                   const HarpSolution& solution, std::size_t index);

}  // namespace tinesight
