#include "record/safe_name.hpp"

#include "record/text_util.hpp"

namespace tinesight {
namespace {

bool Stays(char c) {
  const bool letter = (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z');
  const bool digit = c >= '0' && c <= '9';
  // Bytes beyond ASCII belong to letters of other scripts.
  const bool beyond_ascii = (static_cast<unsigned char>(c) & 0x80U) != 0;
  return letter || digit || beyond_ascii || c == '#' || c == '-' || c == '.';
}

}  // namespace

std::string SafeFileName(std::string_view text) {
  constexpr std::size_t kMaxBytes = 80;
  std::string name;
  for (const char c : CleanText(text)) {
    const char safe = Stays(c) ? c : '_';
    if (safe == '_' && !name.empty() && name.back() == '_') continue;
    name += safe;
  }
  if (name.size() > kMaxBytes) {
    std::size_t end = kMaxBytes;
    // Not in the middle of a letter.
    while (end > 0 && (static_cast<unsigned char>(name[end]) & 0xC0U) == 0x80U) --end;
    name.resize(end);
  }
  while (!name.empty() && (name.back() == '_' || name.back() == '.')) name.pop_back();
  // A '.' in front hides a file, a '-' makes it an option of some command.
  const std::size_t start = name.find_first_not_of(".-_");
  name.erase(0, start == std::string::npos ? name.size() : start);
  return name.empty() ? "unnamed" : name;
}

}  // namespace tinesight
