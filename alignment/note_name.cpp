#include "alignment/note_name.hpp"

#include <array>
#include <cctype>

namespace tinesight {
namespace {

constexpr std::array<const char*, 12> kNames = {"C",  "C#", "D",  "D#", "E",  "F",
                                                "F#", "G",  "G#", "A",  "A#", "B"};
// Semitones above C of the letters A to G.
constexpr std::array<int, 7> kSemitones = {9, 11, 0, 2, 4, 5, 7};

bool ConsumePrefix(std::string_view& text, std::string_view prefix) {
  if (!text.starts_with(prefix)) return false;
  text.remove_prefix(prefix.size());
  return true;
}

}  // namespace

std::string NoteName(int midi) {
  // Division toward minus infinity, so that even a number below 0 gets a name that is true.
  const int pitch_class = ((midi % 12) + 12) % 12;
  const int octave = (midi - pitch_class) / 12 - 1;
  return kNames[static_cast<std::size_t>(pitch_class)] + std::to_string(octave);
}

std::optional<int> ParseNoteName(std::string_view name) {
  if (name.empty()) return std::nullopt;
  const int letter = std::toupper(static_cast<unsigned char>(name.front()));
  if (letter < 'A' || letter > 'G') return std::nullopt;
  name.remove_prefix(1);
  int midi = kSemitones[static_cast<std::size_t>(letter - 'A')];
  if (ConsumePrefix(name, "#") || ConsumePrefix(name, "\u266F")) {
    ++midi;
  } else if (ConsumePrefix(name, "b") || ConsumePrefix(name, "\u266D")) {
    --midi;
  }
  const bool below_zero = ConsumePrefix(name, "-");
  if (name.size() != 1 || name.front() < '0' || name.front() > '9') return std::nullopt;
  const int octave = below_zero ? -(name.front() - '0') : name.front() - '0';
  midi += 12 * (octave + 1);
  if (midi < 0 || midi > 127) return std::nullopt;
  return midi;
}

}  // namespace tinesight
