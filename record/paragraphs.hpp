#pragma once

// For record/ alone: headings and wrapped paragraphs for a terminal.
#include <string>
#include <utility>
#include <vector>

namespace tinesight {

/// Text of at most 100 columns, safe for a terminal (CleanText).
class Paragraphs {
 public:
  explicit Paragraphs(bool ascii_only) : ascii_only_(ascii_only) {}

  /// A line with an empty one before it, except at the start.
  void Heading(const std::string& heading);
  /// `start`, then the text beside it, wrapped under itself.
  void Add(std::string start, const std::string& body);
  /// "F1, G1: reason": notes (first) that share a text (second) stand before it once.
  void ByText(const std::vector<std::pair<std::string, std::string>>& notes);

  [[nodiscard]] const std::string& Text() const { return text_; }

 private:
  bool ascii_only_;
  std::string text_;
};

}  // namespace tinesight
