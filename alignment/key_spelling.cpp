#include "alignment/key_spelling.hpp"

#include <algorithm>
#include <nlohmann/json.hpp>
#include <numeric>

namespace tinesight {

int LettersApart(std::string_view a, std::string_view b) {
  std::vector<int> apart(b.size() + 1);  // of what was read of `a` from each beginning of `b`
  std::iota(apart.begin(), apart.end(), 0);
  for (const char letter : a) {
    int before = apart[0]++;
    for (std::size_t j = 0; j < b.size(); ++j) {
      const int changed = before + (letter == b[j] ? 0 : 1);
      before = apart[j + 1];
      apart[j + 1] = std::min({changed, before + 1, apart[j] + 1});
    }
  }
  return apart.back();
}

Result<void> CheckSpelling(const nlohmann::json& object, const std::vector<std::string>& known,
                           const std::string& where) {
  constexpr int kMostLetters = 2;
  constexpr int kLettersForEach = 3;  // "date" is not meant for "name"
  const auto spells = [](const std::string& key, const std::string& meant) {
    const int apart = LettersApart(key, meant);
    return apart <= kMostLetters && kLettersForEach * apart <= static_cast<int>(meant.size());
  };
  for (const auto& [key, value] : object.items()) {
    if (std::find(known.begin(), known.end(), key) != known.end()) continue;
    for (const std::string& meant : known) {
      if (object.contains(meant) || !spells(key, meant)) continue;
      return Fail(where + "there is no key " + key + "; correct it if " + meant +
                  " is meant, else give it another name");
    }
  }
  return {};
}

}  // namespace tinesight
