#include "record/paragraphs.hpp"

#include <algorithm>

#include "record/text_util.hpp"

namespace tinesight {

void Paragraphs::Heading(const std::string& heading) {
  if (!text_.empty()) text_ += '\n';
  Add("", heading);
}

void Paragraphs::Add(std::string start, const std::string& body) {
  constexpr std::size_t kColumns = 100;
  const std::size_t indent = DisplayWidth(start);
  for (const std::string& line : WrapText(CleanText(body, ascii_only_), kColumns - indent)) {
    text_ += start + line + '\n';
    start.assign(indent, ' ');
  }
}

void Paragraphs::ByText(const std::vector<std::pair<std::string, std::string>>& notes) {
  std::vector<std::pair<std::string, std::string>> names_of_text;
  for (const auto& [name, text] : notes) {
    const auto same =
        std::find_if(names_of_text.begin(), names_of_text.end(),
                     [&text = text](const auto& entry) { return entry.first == text; });
    if (same == names_of_text.end()) {
      names_of_text.emplace_back(text, name);
    } else {
      same->second += ", " + name;
    }
  }
  for (const auto& [text, names] : names_of_text) Add("  ", names + ": " + text);
}

}  // namespace tinesight
