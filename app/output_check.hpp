#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "calibration/error.hpp"

namespace tinesight {

/// Whether a file could be written there: its folder exists and takes new files (tried out, since
/// permissions alone do not tell of a full or read-only disk), and neither a folder nor a
/// write-protected file bears its name. Leaves nothing behind. For use before long work.
[[nodiscard]] Result<void> CheckFileWritable(const std::filesystem::path& file);

/// Whether files could be written in that folder, which may still have to be made.
[[nodiscard]] Result<void> CheckFolderWritable(const std::filesystem::path& folder);

/// The same of these files in that folder: what stands in the place of one counts too.
[[nodiscard]] Result<void> CheckFilesWritable(const std::filesystem::path& folder,
                                              const std::vector<std::filesystem::path>& files);

/// The first of `outputs` that is also among `inputs` or named twice itself, under any spelling of
/// its path; absent: none. It would destroy what the technician has. Empty names and /dev/... don't
/// count.
[[nodiscard]] std::optional<std::string> OutputNamedTwice(const std::vector<std::string>& inputs,
                                                          const std::vector<std::string>& outputs);

}  // namespace tinesight
