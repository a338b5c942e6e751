// Holds the folders to the dependencies that DEVELOPERS.md describes, by reading #include lines.

#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <filesystem>
#include <fstream>
#include <optional>
#include <regex>
#include <sstream>
#include <string>
#include <string_view>
#include <vector>

namespace tinesight {
namespace {

namespace fs = std::filesystem;

// From the bottom up: a folder may include itself and the ones before it.
constexpr std::array<std::string_view, 6> kLayers = {"calibration", "vision", "alignment",
                                                     "record",      "viewer", "app"};

struct SourceFile {
  std::string path;  // relative to the project, with '/'
  std::string text;
};

std::optional<size_t> LayerOf(std::string_view path) {
  const std::string_view folder = path.substr(0, path.find('/'));
  const auto* found = std::find(kLayers.begin(), kLayers.end(), folder);
  if (found == kLayers.end() || folder.size() == path.size()) {
    return std::nullopt;
  }
  return static_cast<size_t>(found - kLayers.begin());
}

bool StartsWith(std::string_view text, std::string_view start) {
  return text.substr(0, start.size()) == start;
}

bool IsHeader(const SourceFile& file) { return fs::path(file.path).extension() == ".hpp"; }

std::vector<std::string> IncludesOf(const SourceFile& file) {
  static const std::regex include_line(R"(^\s*#\s*include\s*[<"]([^>"]+)[>"])");
  std::vector<std::string> includes;
  std::istringstream lines(file.text);
  std::smatch match;
  for (std::string line; std::getline(lines, line);) {
    if (std::regex_search(line, match, include_line)) {
      includes.push_back(match[1]);
    }
  }
  return includes;
}

// The faults of one file, each as a line for a person; none for a file that keeps the rules.
std::vector<std::string> FaultsOf(const SourceFile& file) {
  const std::optional<size_t> own_layer = LayerOf(file.path);
  const bool in_record = StartsWith(file.path, "record/");
  const bool in_viewer = StartsWith(file.path, "viewer/");
  std::vector<std::string> faults;
  for (const std::string& include : IncludesOf(file)) {
    const auto complain = [&](const std::string& rule) {
      faults.push_back(file.path + " includes " + include + ": " + rule);
    };
    const std::optional<size_t> other_layer = LayerOf(include);
    if (own_layer && other_layer && *other_layer > *own_layer) {
      complain("dependencies go app, viewer, record, alignment, vision, calibration");
    }
    if (StartsWith(include, "opencv2/") && StartsWith(file.path, "alignment/") && IsHeader(file)) {
      complain("alignment's interfaces know millimetres, not pictures");
    }
    if (include == "sqlite3.h" && own_layer && !in_record) {
      complain("only record knows SQL");
    }
    const bool is_window_header = StartsWith(include, "imgui") || StartsWith(include, "GLFW/");
    if (is_window_header && own_layer && !in_viewer) {
      complain("only viewer knows windows");
    }
    if (StartsWith(include, "open3d/") && own_layer && !in_viewer) {
      complain("only viewer links Open3D, so that the command line starts at once");
    }
    if (StartsWith(include, "ceres/") && IsHeader(file)) {
      complain("Ceres stays in .cpp files");
    }
  }
  return faults;
}

std::vector<SourceFile> ReadSourceFiles() {
  std::vector<SourceFile> files;
  const fs::path root = TINESIGHT_SOURCE_DIR;
  std::vector<std::string_view> folders(kLayers.begin(), kLayers.end());
  folders.emplace_back("tests");
  for (const std::string_view folder : folders) {
    if (!fs::exists(root / folder)) {
      continue;
    }
    for (const auto& entry : fs::recursive_directory_iterator(root / folder)) {
      const fs::path extension = entry.path().extension();
      if (extension != ".cpp" && extension != ".hpp") {
        continue;
      }
      std::ostringstream text;
      text << std::ifstream(entry.path()).rdbuf();
      files.push_back({fs::relative(entry.path(), root).generic_string(), text.str()});
    }
  }
  return files;
}

std::string Joined(const std::vector<std::string>& lines) {
  std::string joined;
  for (const std::string& line : lines) {
    joined += line + "\n";
  }
  return joined;
}

TEST(Architecture, FilesIncludeOnlyWhatTheirFolderMayKnow) {
  const std::vector<SourceFile> files = ReadSourceFiles();
  ASSERT_GE(files.size(), 10u) << "the sources are not where TINESIGHT_SOURCE_DIR says";
  for (const SourceFile& file : files) {
    EXPECT_EQ(Joined(FaultsOf(file)), "");
  }
}

TEST(Architecture, EveryHeaderIsIncludedOnce) {
  for (const SourceFile& file : ReadSourceFiles()) {
    if (IsHeader(file)) {
      EXPECT_NE(file.text.find("#pragma once"), std::string::npos) << file.path;
    }
  }
}

// The programs: `tinesight`, and the two of viewer that it starts.
bool MayPrint(std::string_view path) {
  return StartsWith(path, "app/") || StartsWith(path, "tests/") ||
         path == "viewer/export_main.cpp" || path == "viewer/window/view_main.cpp";
}

TEST(Architecture, LibrariesDoNotPrint) {
  const std::regex printing(
      R"(std::(cout|cerr|clog|print)\b|[^a-z_](f|v|vf)?printf\s*\(|\bputs\s*\()");
  for (const SourceFile& file : ReadSourceFiles()) {
    if (!MayPrint(file.path)) {
      EXPECT_FALSE(std::regex_search(file.text, printing))
          << file.path << " prints; a library returns what it has to say";
    }
  }
}

// The rules themselves: a check that accepts everything would keep nothing.
TEST(ArchitectureRules, NoticeArrowsThatPointTheWrongWay) {
  EXPECT_EQ(FaultsOf({"calibration/a.cpp", "#include \"vision/photo.hpp\"\n"}).size(), 1u);
  EXPECT_EQ(FaultsOf({"vision/a.cpp", "  #  include <alignment/profile.hpp>\n"}).size(), 1u);
  EXPECT_EQ(FaultsOf({"record/a.hpp", "#include \"app/commands.hpp\"\n"}).size(), 1u);
  EXPECT_EQ(FaultsOf({"vision/a.cpp", "#include \"calibration/camera.hpp\"\n"}).size(), 0u);
  EXPECT_EQ(FaultsOf({"tests/a.cpp", "#include \"app/commands.hpp\"\n"}).size(), 0u);
}

TEST(ArchitectureRules, NoticeLibrariesOutsideTheirFolder) {
  EXPECT_EQ(FaultsOf({"alignment/a.hpp", "#include <opencv2/core.hpp>\n"}).size(), 1u);
  EXPECT_EQ(FaultsOf({"alignment/a.cpp", "#include <opencv2/core.hpp>\n"}).size(), 0u);
  EXPECT_EQ(FaultsOf({"app/a.cpp", "#include <sqlite3.h>\n"}).size(), 1u);
  EXPECT_EQ(FaultsOf({"record/a.cpp", "#include <sqlite3.h>\n"}).size(), 0u);
  EXPECT_EQ(FaultsOf({"app/a.cpp", "#include <imgui.h>\n#include <GLFW/glfw3.h>\n"}).size(), 2u);
  EXPECT_EQ(FaultsOf({"app/a.cpp", "#include <open3d/Open3D.h>\n"}).size(), 1u);
  EXPECT_EQ(FaultsOf({"viewer/a.cpp", "#include <open3d/Open3D.h>\n"}).size(), 0u);
  EXPECT_EQ(FaultsOf({"calibration/a.hpp", "#include <ceres/ceres.h>\n"}).size(), 1u);
  EXPECT_EQ(FaultsOf({"calibration/a.cpp", "#include <ceres/ceres.h>\n"}).size(), 0u);
}

}  // namespace
}  // namespace tinesight
