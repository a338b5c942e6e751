#pragma once

#include <unistd.h>

#include <cstdlib>
#include <filesystem>
#include <string>
#include <system_error>

namespace tinesight {

/// An empty file of our own in the system's folder for temporary files, gone when we are.
class TemporaryFile {
 public:
  /// `ending`: that of the name, ".ply".
  explicit TemporaryFile(const std::string& ending) {
    std::error_code code;
    name_ = (std::filesystem::temp_directory_path(code) / ("tinesight-XXXXXX" + ending)).string();
    const int descriptor = mkstemps(name_.data(), static_cast<int>(ending.size()));
    made_ = descriptor >= 0;
    if (made_) close(descriptor);
  }
  ~TemporaryFile() {
    if (made_) unlink(name_.c_str());
  }
  TemporaryFile(const TemporaryFile&) = delete;
  TemporaryFile& operator=(const TemporaryFile&) = delete;

  /// False: it could not be made, and errno says why.
  [[nodiscard]] bool Made() const { return made_; }
  [[nodiscard]] const std::string& Name() const { return name_; }

 private:
  std::string name_;
  bool made_ = false;
};

}  // namespace tinesight
