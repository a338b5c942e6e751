#pragma once

#include <filesystem>

namespace tinesight {

/// Writes a measured harp (result of `measure --json`) as a 3D model through the program
/// tinesight-export beside this one: the 3D library costs time and memory at start. Gives the exit
/// status; a failure was told on stderr.
[[nodiscard]] int RunExporter(const std::filesystem::path& result,
                              const std::filesystem::path& model);

/// Whether a model could be written in the format that the name's ending says.
[[nodiscard]] bool IsModelName(const std::filesystem::path& model);

}  // namespace tinesight
