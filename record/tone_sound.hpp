#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "alignment/tone_signal.hpp"
#include "calibration/error.hpp"

namespace tinesight {

/// Two places of one note's tine, to be heard one against the other.
struct SoundComparison {
  PickupPlace now;
  PickupPlace then;
};

/// Writes four WAV files (48 kHz, 24 bit, one channel) into `folder`, made where missing:
///
///   prediction_F#1_now.wav, prediction_F#1_then.wav                 with their difference in level
///   prediction_F#1_now_level-matched.wav, …_then_level-matched.wav  equally loud (rms)
///
/// each with a soft, a medium and a hard stroke. That they are predictions and no recordings stands
/// in the name and in the file's title and comment. Returns the files; each is written whole or not
/// at all.
[[nodiscard]] Result<std::vector<std::filesystem::path>> WritePredictedSounds(
    const std::filesystem::path& folder, const NoteProfile& target, const ToneProfile& tone,
    const SoundComparison& comparison);

}  // namespace tinesight
