#pragma once

// For the tests of the printed strips: temporary folders, shell commands, words of a PDF.
#include <gtest/gtest.h>
#include <stdlib.h>
#include <sys/wait.h>

#include <array>
#include <cstdio>
#include <filesystem>
#include <regex>
#include <string>
#include <vector>

namespace tinesight {

// A folder of its own for every test, removed at its end.
class Folder {
 public:
  Folder() {
    std::string name = (std::filesystem::temp_directory_path() / "strips_test_XXXXXX").string();
    path_ = mkdtemp(name.data());
  }
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;
  ~Folder() { std::filesystem::remove_all(path_); }
  [[nodiscard]] std::string operator/(const std::string& name) const {
    return (path_ / name).string();
  }

 private:
  std::filesystem::path path_;
};

struct Outcome {
  int status = -1;
  std::string text;
};

// Runs a shell command and gives its exit status and what it printed.
inline Outcome RunShell(const std::string& command) {
  Outcome outcome;
  FILE* pipe = popen(command.c_str(), "r");
  if (pipe == nullptr) return outcome;
  std::array<char, 4096> buffer{};
  std::size_t count = 0;
  while ((count = fread(buffer.data(), 1, buffer.size(), pipe)) > 0) {
    outcome.text.append(buffer.data(), count);
  }
  const int status = pclose(pipe);
  if (WIFEXITED(status)) outcome.status = WEXITSTATUS(status);
  return outcome;
}

struct Word {
  std::string text;
  double x0, y0, x1, y1;  // points
};

inline std::vector<std::vector<Word>> WordsOfPages(const std::string& pdf) {
  const Outcome boxes = RunShell("pdftotext -bbox " + pdf + " - 2>&1");
  EXPECT_EQ(boxes.status, 0) << "pdftotext (poppler-utils) is needed: " << boxes.text;
  const std::regex pattern(
      "(<page )|<word xMin=\"([0-9.]+)\" yMin=\"([0-9.]+)\" xMax=\"([0-9.]+)\" "
      "yMax=\"([0-9.]+)\">([^<]*)</word>");
  std::vector<std::vector<Word>> pages;
  for (auto it = std::sregex_iterator(boxes.text.begin(), boxes.text.end(), pattern);
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
