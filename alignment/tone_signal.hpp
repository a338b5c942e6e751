#pragma once

#include <vector>

#include "alignment/tone_prediction.hpp"

namespace tinesight {

/// The predicted voltage in time, to be listened to.
struct SoundOptions {
  double sample_rate_hz = 48000.0;
  double stroke_s = 1.5;  ///< each of the three strokes, soft, medium, hard, one after the other
};

/// Soft, medium and hard stroke at a place: the tine swings with the note's pitch and dies away (a
/// workshop default: to 1/e in 1 s for a tine of 50 mm, with the root of the length for others;
/// the second mode ten times as fast), and tone_model's law makes the voltage of it. Computed at
/// four times the rate and filtered, so that no harmonic beyond half the rate folds back. The scale
/// is the model's: sounds of one note compare, those of two notes don't.
[[nodiscard]] std::vector<double> PredictedSignal(const PickupPlace& place,
                                                  const NoteProfile& target,
                                                  const ToneProfile& tone,
                                                  const SoundOptions& options = {});

}  // namespace tinesight
