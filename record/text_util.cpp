#include "record/text_util.hpp"

#include <array>
#include <charconv>
#include <cmath>
#include <system_error>
#include <utility>

namespace tinesight {
namespace {

bool IsContinuation(char c) { return (static_cast<unsigned char>(c) & 0xC0U) == 0x80U; }

// Length in bytes of the well-formed UTF-8 sequence that starts at `at`; 0 where there is none.
std::size_t SequenceLength(std::string_view text, std::size_t at) {
  const auto lead = static_cast<unsigned char>(text[at]);
  std::size_t length = 0;
  if (lead < 0x80U) {
    length = 1;
  } else if (lead >= 0xC2U && lead < 0xE0U) {
    length = 2;
  } else if (lead >= 0xE0U && lead < 0xF0U) {
    length = 3;
  } else if (lead >= 0xF0U && lead < 0xF5U) {
    length = 4;
  }
  if (length == 0 || at + length > text.size()) return 0;
  for (std::size_t i = 1; i < length; ++i) {
    if (!IsContinuation(text[at + i])) return 0;
  }
  return length;
}

std::string Transliterated(std::string_view sequence) {
  static constexpr std::array<std::pair<std::string_view, std::string_view>, 8> kSpelled{{
      {"±", "+/-"},
      {"°", " deg"},
      {"−", "-"},
      {"→", "->"},
      {"×", "x"},
      {"–", "-"},
      {"≤", "<="},
      {"…", "..."},
  }};
  for (const auto& [sign, spelled] : kSpelled) {
    if (sequence == sign) return std::string(spelled);
  }
  return "?";
}

// C1 control characters (U+0080 to U+009F) steer some terminals as escape sequences do.
bool IsControl(std::string_view sequence) {
  const auto lead = static_cast<unsigned char>(sequence[0]);
  if (sequence.size() == 1) return lead < 0x20U || lead == 0x7FU;
  return lead == 0xC2U && static_cast<unsigned char>(sequence[1]) < 0xA0U;
}

}  // namespace

std::string FixedDecimals(double value, int decimals) {
  std::array<char, 64> buffer{};
  if (!std::isfinite(value) || std::abs(value) > 1e15) return "?";
  const auto end = std::to_chars(buffer.data(), buffer.data() + buffer.size(), value,
                                 std::chars_format::fixed, decimals);
  if (end.ec != std::errc()) return "?";
  std::string text(buffer.data(), end.ptr);
  if (text.front() == '-' && text.find_first_not_of("-0.") == std::string::npos) text.erase(0, 1);
  return text;
}

std::size_t DisplayWidth(std::string_view text) {
  std::size_t width = 0;
  for (const char c : text) width += IsContinuation(c) ? 0 : 1;
  return width;
}

std::string PadRight(std::string text, std::size_t width) {
  const std::size_t have = DisplayWidth(text);
  if (have < width) text.append(width - have, ' ');
  return text;
}

std::string PadLeft(std::string text, std::size_t width) {
  const std::size_t have = DisplayWidth(text);
  if (have < width) text.insert(0, width - have, ' ');
  return text;
}

std::vector<std::string> WrapText(std::string_view text, std::size_t width) {
  std::vector<std::string> lines;
  std::string line;
  std::size_t columns = 0;
  const auto flush = [&] {
    if (!line.empty()) lines.push_back(line);
    line.clear();
    columns = 0;
  };
  std::size_t at = 0;
  while (at < text.size()) {
    const std::size_t space = std::min(text.find(' ', at), text.size());
    const std::string_view word = text.substr(at, space - at);
    at = space + 1;
    if (word.empty()) continue;
    if (columns > 0 && columns + 1 + DisplayWidth(word) > width) flush();
    if (columns > 0) {
      line += ' ';
      ++columns;
    }
    for (const char c : word) {
      if (!IsContinuation(c)) {
        if (columns == width) flush();
        ++columns;
      }
      line += c;
    }
  }
  flush();
  return lines;
}

std::string CleanText(std::string_view text, bool ascii_only) {
  std::string clean;
  for (std::size_t at = 0; at < text.size();) {
    const std::size_t length = SequenceLength(text, at);
    const std::string_view sequence = text.substr(at, std::max<std::size_t>(length, 1));
    at += sequence.size();
    if (length == 0 || IsControl(sequence)) {
      clean += '?';
    } else if (length > 1 && ascii_only) {
      clean += Transliterated(sequence);
    } else {
      clean += sequence;
    }
  }
  return clean;
}

void AppendText(std::string& list, std::string_view text) {
  if (!list.empty()) list += "; ";
  list += text;
}

std::string LateralDirection(double lateral_mm) {
  if (!(std::abs(lateral_mm) >= 0.005)) return "";
  return lateral_mm > 0.0 ? "toward treble" : "toward bass";
}

}  // namespace tinesight
