#pragma once

#include <filesystem>
#include <string>
#include <vector>

namespace tinesight {

/// Where the file of a photo may be by now, the likeliest first: as recorded; a relative name also
/// from the folder of the record and each above it, as a record and its photos may have been moved
/// or are looked at from elsewhere; at last beside the record. None need exist.
[[nodiscard]] std::vector<std::filesystem::path> PhotoPlaces(const std::string& recorded,
                                                             const std::filesystem::path& record);

}  // namespace tinesight
