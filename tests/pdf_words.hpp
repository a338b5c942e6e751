#pragma once

// The words of a PDF and where they stand, as poppler reads them.
#include <gtest/gtest.h>

#include <regex>
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
  const std::regex pattern(
      "(<page )|<word xMin=\"([0-9.]+)\" yMin=\"([0-9.]+)\" xMax=\"([0-9.]+)\" "
      "yMax=\"([0-9.]+)\">([^<]*)</word>");
  std::vector<std::vector<Word>> pages;
  for (auto it = std::sregex_iterator(boxes.out.begin(), boxes.out.end(), pattern);
       it != std::sregex_iterator(); ++it) {
    if ((*it)[1].matched) {
      pages.emplace_back();
    } else {
      pages.back().push_back({(*it)[6], std::stod((*it)[2]), std::stod((*it)[3]),
                              std::stod((*it)[4]), std::stod((*it)[5])});
    }
  }
  return pages;
}

}  // namespace tinesight
