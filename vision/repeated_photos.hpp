#pragma once

#include <cstddef>
#include <filesystem>
#include <optional>
#include <vector>

namespace tinesight {

/// For each file the index of the first one before it that holds the same bytes, under whatever
/// name: the same photo twice tells nothing new. Absent: none does, or the file can't be read.
[[nodiscard]] std::vector<std::optional<std::size_t>> RepeatedPhotos(
    const std::vector<std::filesystem::path>& files);

}  // namespace tinesight
