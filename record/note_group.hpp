#pragma once

#include "alignment/measurement.hpp"
#include "alignment/profile.hpp"

namespace tinesight {

/// What a note's verdicts come to, as tables and reports sort them.
enum class NoteGroup {
  kOut,          ///< some quantity is out of tolerance
  kUncertain,    ///< else: the lateral offset is uncertain
  kPartly,       ///< else: only height or gap is. From one photo that may be every note.
  kGood,         ///< else: whatever was judged is in tolerance
  kNotMeasured,  ///< no lateral offset
};

[[nodiscard]] NoteGroup GroupOf(const NoteMeasurement& note);

/// How far past its tolerance the worst quantity is for certain, in tolerances; 0 where none is.
/// Without a profile (nullptr, or none of the note) by the lateral offset alone, in mm.
[[nodiscard]] double Badness(const NoteMeasurement& note, const InstrumentProfile* profile);

}  // namespace tinesight
