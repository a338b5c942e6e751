#pragma once

// The words of a PDF and where they stand, as poppler reads them.
#include <gtest/gtest.h>

#include <sstream>
#include <string>
#include <vector>

#include "tests/run_command.hpp"

namespace tinesight {

struct Word {
  std::string text;
  double x0, y0, x1, y1;  // points
};

inline std::vector<std::vector<Word>> WordsOfPages(const std::string& pdf) {
  const CommandOutcome boxes = RunShell("pdftotext -bbox " + pdf + " -");
  EXPECT_EQ(boxes.status, 0) << "pdftotext (poppler-utils) is needed: " << boxes.err;
  const auto number = [](const std::string& line, const std::string& key) {
    return std::stod(line.substr(line.find(key + "=\"") + key.size() + 2));
  };
  std::vector<std::vector<Word>> pages;
  std::istringstream lines(boxes.out);
  for (std::string line; std::getline(lines, line);) {
    if (line.find("<page ") != std::string::npos) pages.emplace_back();
    if (line.find("<word ") == std::string::npos || pages.empty()) continue;
    const std::size_t start = line.find("\">") + 2;
    pages.back().push_back({line.substr(start, line.find("</word>") - start), number(line, "xMin"),
                            number(line, "yMin"), number(line, "xMax"), number(line, "yMax")});
  }
  return pages;
}

}  // namespace tinesight
