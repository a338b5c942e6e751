#pragma once

#include <stdlib.h>

#include <filesystem>
#include <string>
#include <system_error>

namespace tinesight {

/// A folder of its own for one test, gone afterwards.
class TempFolder {
 public:
  TempFolder() {
    std::string name = (std::filesystem::temp_directory_path() / "tinesight-test-XXXXXX").string();
    path_ = mkdtemp(name.data());
  }
  ~TempFolder() {
    std::error_code code;
    std::filesystem::remove_all(path_, code);
  }
  TempFolder(const TempFolder&) = delete;
  TempFolder& operator=(const TempFolder&) = delete;

  [[nodiscard]] std::filesystem::path operator/(const std::string& name) const {
    return path_ / name;
  }
  [[nodiscard]] const std::filesystem::path& Path() const { return path_; }
  /// How many entries it has: a test of "nothing was left behind".
  [[nodiscard]] long Count() const {
    return std::distance(std::filesystem::directory_iterator(path_),
                         std::filesystem::directory_iterator());
  }

 private:
  std::filesystem::path path_;
};

}  // namespace tinesight
