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

// The same for every spelling of a file's path, a link's too; a file need not exist.
fs::path Identity(const std::string& file) {
  std::error_code code;
  const fs::path absolute = fs::absolute(file, code);
  const fs::path canonical = code ? absolute : fs::weakly_canonical(absolute, code);
  if (code) return file;
  // "pictures/" is the folder "pictures".
  return canonical.has_filename() ? canonical : canonical.parent_path();
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
  if (!fs::exists(status)) return TryFolder(FolderOf(file), file);
  // Its folder alone could replace it, but whoever protected it wants to keep it.
  if (access(file.c_str(), W_OK) != 0) {
    return Fail(file.string() + ": cannot be written: the file is write-protected");
  }
  // Through a link, the file that it names is replaced.
  const fs::path target = fs::canonical(file, code);
  return TryFolder(FolderOf(code ? file : target), file);
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

Result<void> CheckFilesWritable(const fs::path& folder, const std::vector<fs::path>& files) {
  if (auto writable = CheckFolderWritable(folder); !writable) return writable;
  for (const fs::path& file : files) {
    std::error_code code;
    if (!fs::exists(file, code)) continue;  // the folder takes new files
    if (auto writable = CheckFileWritable(file); !writable) return writable;
  }
  return {};
}

std::optional<std::string> OutputNamedTwice(const std::vector<std::string>& inputs,
                                            const std::vector<std::string>& outputs) {
  const auto counts = [](const std::string& file) {
    return !file.empty() && !file.starts_with("/dev/");
  };
  std::set<fs::path> taken;
  for (const std::string& input : inputs) {
    if (counts(input)) taken.insert(Identity(input));
  }
  for (const std::string& output : outputs) {
    if (counts(output) && !taken.insert(Identity(output)).second) return output;
  }
  return std::nullopt;
}

}  // namespace tinesight
