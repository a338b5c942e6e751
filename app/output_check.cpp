#include "app/output_check.hpp"

#include <unistd.h>

#include <cerrno>
#include <cstdlib>
#include <cstring>
#include <set>
#include <string>
#include <system_error>

namespace tinesight {
namespace {

namespace fs = std::filesystem;

fs::path FolderOf(const fs::path& file) {
  return file.parent_path().empty() ? fs::path(".") : file.parent_path();
}

Result<void> TryFolder(const fs::path& folder, const fs::path& wanted) {
  std::error_code code;
  if (!fs::is_directory(folder, code)) {
    return Fail(wanted.string() + ": cannot be written: " + folder.string() +
                (fs::exists(folder, code) ? " is no folder" : " does not exist"));
  }
  std::string name = (folder / ".tinesight-check-XXXXXX").string();
  const int descriptor = mkstemp(name.data());
  if (descriptor < 0) {
    return Fail(wanted.string() + ": cannot be written: " + std::strerror(errno) +
                "; choose another folder");
  }
  close(descriptor);
  unlink(name.c_str());
  return {};
}

}  // namespace

Result<void> CheckFileWritable(const fs::path& file) {
  std::error_code code;
  const fs::file_status status = fs::status(file, code);
  if (status.type() == fs::file_type::directory) {
    return Fail(file.string() + ": cannot be written: is a folder; name a file in it");
  }
  if (fs::exists(status) && status.type() != fs::file_type::regular) {
    // A pipe or device is written straight.
    if (access(file.c_str(), W_OK) == 0) return {};
    return Fail(file.string() + ": cannot be written: " + std::strerror(errno));
  }
  return TryFolder(FolderOf(file), file);
}

Result<void> CheckFolderWritable(const fs::path& folder) {
  std::error_code code;
  fs::path existing = folder.has_filename() ? folder : folder.parent_path();
  while (!existing.empty() && fs::status(existing, code).type() == fs::file_type::not_found &&
         existing.has_relative_path()) {
    existing = existing.parent_path();
  }
  return TryFolder(existing.empty() ? fs::path(".") : existing, folder);
}

std::optional<std::string> OutputNamedTwice(const std::vector<std::string>& inputs,
                                            const std::vector<std::string>& outputs) {
  const auto identity = [](const std::string& file) {
    std::error_code code;
    const auto canonical = std::filesystem::weakly_canonical(std::filesystem::absolute(file), code);
    return code ? std::filesystem::path(file) : canonical;
  };
  std::set<std::filesystem::path> taken;
  for (const std::string& input : inputs) taken.insert(identity(input));
  for (const std::string& output : outputs) {
    if (output.empty() || output.starts_with("/dev/")) continue;
    if (!taken.insert(identity(output)).second) return output;
  }
  return std::nullopt;
}

}  // namespace tinesight
