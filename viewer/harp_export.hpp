#pragma once

#include <filesystem>
#include <vector>

#include "calibration/error.hpp"
#include "viewer/harp_scene.hpp"

namespace tinesight {

/// Writes the scene as one mesh with vertex colors, PLY (ASCII, mm, harp frame), through Open3D;
/// whole or not at all. Only here is Open3D linked: it costs every program that links it 40 ms and
/// 42 MB at start, so it lives in a library and a program of their own.
[[nodiscard]] Result<void> WriteHarpModel(const std::vector<SceneMesh>& scene,
                                          const std::filesystem::path& file);

}  // namespace tinesight
