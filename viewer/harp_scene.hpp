#pragma once

#include <Eigen/Core>
#include <array>
#include <cstdint>
#include <string>
#include <vector>

#include "alignment/measurement.hpp"

namespace tinesight {

/// A colored triangle mesh with a name ("E1 tine"), in the harp frame (mm). Triangles are
/// counterclockwise seen from outside.
struct SceneMesh {
  std::string name;
  int midi = 0;
  std::array<std::uint8_t, 3> color_rgb{};
  std::vector<Eigen::Vector3d> vertices_mm;
  std::vector<std::array<std::uint32_t, 3>> triangles;
};

struct HarpSceneOptions {
  int facets = 24;              ///< round a rod or disc, at least 3
  double arrow_scale = 1.0;     ///< offset arrows drawn this many times longer than true
  double pole_tip_mm = 1.0;     ///< thickness of the pole tip's disc
  double arrow_width_mm = 0.5;  ///< diameter of an arrow's shaft
};

/// The measured harp as plain data, without OpenGL: per measured note the tine as a rod from root
/// to tip ("… tine"), the pole tip as a disc behind the pickup's face ("… pole tip"), and an arrow
/// at the face from the pickup's center to where the prolonged tine meets it sideways ("… offset",
/// left out below 0.005 mm). Notes without figures give nothing. Blocks and tone bars are not
/// drawn: where their outlines are was not measured.
[[nodiscard]] std::vector<SceneMesh> BuildHarpScene(const VisitMeasurement& visit,
                                                    const HarpSceneOptions& options = {});

}  // namespace tinesight
