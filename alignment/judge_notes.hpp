#pragma once

#include <vector>

#include "alignment/harp_solve.hpp"
#include "alignment/measurement.hpp"

namespace tinesight {

/// Turns the solve into what a technician reads: every note that any photo shows, in the fitted
/// harp frame, with U (k = 2), verdicts, and the reason where a verdict is uncertain or a note
/// could not be measured.
[[nodiscard]] std::vector<NoteMeasurement> JudgeNotes(const std::vector<PhotoObservations>& photos,
                                                      const HarpSolution& solution,
                                                      const InstrumentProfile& profile,
                                                      DamperState damper);

}  // namespace tinesight
