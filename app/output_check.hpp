#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "calibration/error.hpp"

namespace tinesight {

/// Whether a file could be written there: its folder exists and takes new files (tried out, since
/// permissions alone do not tell of a full or read-only disk), and no folder bears its name. Leaves
/// nothing behind. For use before long work.
[[nodiscard]] Result<void> CheckFileWritable(const std::filesystem::path& file);

/// Whether files could be written in that folder, which may still have to be made.
[[nodiscard]] Result<void> CheckFolderWritable(const std::filesystem::path& folder);

/// A name that stands twice among files that are read and files to write, under any spelling: an
/// output that is also read, or written twice, would destroy what the technician has. Empty names
/// and devices don't count; nothing where all differ.
[[nodiscard]] std::optional<std::string> OutputNamedTwice(const std::vector<std::string>& inputs,
                                                          const std::vector<std::string>& outputs);

}  // namespace tinesight
