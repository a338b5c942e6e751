#pragma once

// For .cpp files only: no public header of ours shows nlohmann's types, so that a user of the
// libraries need not have them.
#include <filesystem>
#include <nlohmann/json.hpp>
#include <string>
#include <string_view>
#include <vector>

#include "calibration/error.hpp"

namespace tinesight {

/// The whole file as bytes. Fails, naming the file, when it is missing, a folder, unreadable or
/// larger than `max_bytes`.
[[nodiscard]] Result<std::string> ReadFileBytes(const std::filesystem::path& file,
                                                std::uintmax_t max_bytes = 1ULL << 30);

/// A JSON file. Fails with the file and the line and column where it stops being JSON.
[[nodiscard]] Result<nlohmann::json> ReadJsonFile(const std::filesystem::path& file);

/// Writes a file whole or not at all: beside its place under another name, then renamed over it.
/// Fails, naming the file and the reason, when the folder is missing or not writable, and leaves
/// what stood there before untouched. Something that is no regular file (a pipe, /dev/stdout) is
/// written straight.
[[nodiscard]] Result<void> WriteFileAtomically(const std::filesystem::path& file,
                                               std::string_view bytes);

struct FileBytes {
  std::filesystem::path name;
  std::string bytes;
};

/// Writes files that belong together, all or none: every one is ready beside its place, and every
/// pipe or device is written, before the first is renamed. (Only a rename that the system refuses
/// after that can still part them.)
[[nodiscard]] Result<void> WriteFilesAtomically(const std::vector<FileBytes>& files);

/// Writes a new file whole or not at all. False: something stands there already (also if it came
/// there while we wrote); it is left untouched.
[[nodiscard]] Result<bool> WriteNewFileAtomically(const std::filesystem::path& file,
                                                  std::string_view bytes);

/// Writes `json` indented by two spaces and with a line end, whole or not at all. Numbers keep
/// every digit that distinguishes them.
template <typename Json>
[[nodiscard]] Result<void> WriteJsonFile(const std::filesystem::path& file, const Json& json) {
  try {
    return WriteFileAtomically(file, json.dump(2) + '\n');
  } catch (const nlohmann::json::exception&) {
    return Fail(file.string() + ": cannot be written: a text in it is not valid UTF-8");
  }
}

}  // namespace tinesight
