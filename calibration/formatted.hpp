#pragma once

#include <array>
#include <cstdio>
#include <string>

namespace tinesight {

/// A number in a sentence. `format`: as of printf, for one double; what comes of it is cut off
/// after 255 bytes.
[[nodiscard]] inline std::string Formatted(const char* format, double value) {
  std::array<char, 256> text{};
  (void)std::snprintf(text.data(), text.size(), format, value);
  return text.data();
}

}  // namespace tinesight
