#pragma once

#include <filesystem>

#include "calibration/error.hpp"

namespace tinesight {

/// Whether a file could be written there: its folder exists and takes new files (tried out, since
/// permissions alone do not tell of a full or read-only disk), and no folder bears its name. Leaves
/// nothing behind. For use before long work.
[[nodiscard]] Result<void> CheckFileWritable(const std::filesystem::path& file);

/// Whether files could be written in that folder, which may still have to be made.
[[nodiscard]] Result<void> CheckFolderWritable(const std::filesystem::path& folder);

}  // namespace tinesight
