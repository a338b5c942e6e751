#pragma once

#include "alignment/tone_evenness.hpp"

namespace tinesight {

/// What a note should sound like at the medium stroke, dB: level to that of the profile's place,
/// second harmonic to the fundamental.
struct ToneTarget {
  double level_db = 0.0;
  double octave_db = 0.0;
};

/// The profile's target, drawn toward the neighbors' trend by at most what can be heard: a note is
/// to fit among its neighbors, but not to follow them where they are off themselves.
[[nodiscard]] ToneTarget TargetFor(const NoteProfile& target, const ToneProfile& tone,
                                   const NoteEvenness* evenness);

/// Where to set a tine, centered on its pickup (lateral offset 0), so that it meets a target.
struct BestPlace {
  PickupPlace place;
  double level_db = 0.0;   ///< there
  double octave_db = 0.0;  ///< there
  /// False: no height within 1.5 mm of the profile's and no gap from half to twice the profile's
  /// gives both; the place is the one that misses least (in units of what can be heard).
  bool reached = false;
  /// How sensitive it is there, dB for 0.1 mm.
  double level_per_tenth_height_db = 0.0;
  double level_per_tenth_gap_db = 0.0;
  double octave_per_tenth_height_db = 0.0;
  double octave_per_tenth_gap_db = 0.0;
};

/// Least squares from the profile's place; of several places that do, the one this leads to.
[[nodiscard]] BestPlace FindBestPlace(const NoteProfile& target, const ToneProfile& tone,
                                      const ToneTarget& wanted);

}  // namespace tinesight
