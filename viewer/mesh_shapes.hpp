#pragma once

#include <Eigen/Core>
#include <array>
#include <cstdint>
#include <string>

#include "viewer/harp_scene.hpp"

namespace tinesight {

using MeshColor = std::array<std::uint8_t, 3>;

/// A closed round rod from `start_mm` to `end_mm`, which must differ.
[[nodiscard]] SceneMesh RodMesh(const Eigen::Vector3d& start_mm, const Eigen::Vector3d& end_mm,
                                double diameter_mm, int facets);

/// A box centered on the line from `start_mm` to `end_mm`, `width_mm` along the direction nearest
/// to x and `height_mm` along the third.
[[nodiscard]] SceneMesh BoxMesh(const Eigen::Vector3d& start_mm, const Eigen::Vector3d& end_mm,
                                double width_mm, double height_mm);

/// An arrow with its point at `end_mm`.
[[nodiscard]] SceneMesh ArrowMesh(const Eigen::Vector3d& start_mm, const Eigen::Vector3d& end_mm,
                                  double width_mm, int facets);

}  // namespace tinesight
