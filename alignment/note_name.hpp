#pragma once

#include <optional>
#include <string>
#include <string_view>

namespace tinesight {

/// Scientific pitch of a MIDI number, sharps with '#': 28 → "E1", 60 → "C4", 69 → "A4".
[[nodiscard]] std::string NoteName(int midi);

/// MIDI number of a name such as "F#1", "Gb1" or "f#1" (also "F♯1", "G♭1"); nothing if it is no
/// name.
[[nodiscard]] std::optional<int> ParseNoteName(std::string_view name);

}  // namespace tinesight
