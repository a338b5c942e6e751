#include "viewer/harp_scene.hpp"

#include <array>
#include <cmath>

#include "viewer/mesh_shapes.hpp"

namespace tinesight {
namespace {

using Eigen::Vector3d;

// The colors of the annotated photos: found orange, pole tip yellow, verdicts as there.
constexpr std::array<std::uint8_t, 3> kTineRgb{0xE6, 0x9F, 0x00};
constexpr std::array<std::uint8_t, 3> kPoleTipRgb{0xF0, 0xE4, 0x42};

std::array<std::uint8_t, 3> VerdictRgb(Verdict verdict) {
  switch (verdict) {
    case Verdict::kInTolerance:
      return {0x56, 0xB4, 0xE9};
    case Verdict::kOutOfTolerance:
      return {0xD5, 0x5E, 0x00};
    case Verdict::kUncertain:
      return {0xF0, 0xE4, 0x42};
    case Verdict::kNotMeasured:
      break;
  }
  return {0xBB, 0xBB, 0xBB};
}

SceneMesh Named(SceneMesh mesh, const NoteMeasurement& note, const char* what,
                const MeshColor& color) {
  mesh.name = note.name + ' ' + what;
  mesh.midi = note.midi;
  mesh.color_rgb = color;
  return mesh;
}

bool HasGeometry(const NoteMeasurement& note) {
  return note.lateral_mm && std::isfinite(note.lateral_mm->value) &&
         note.root_harp_mm.allFinite() && note.tip_harp_mm.allFinite() &&
         note.pickup_harp_mm.allFinite() && (note.tip_harp_mm - note.root_harp_mm).norm() > 1e-6;
}

}  // namespace

std::vector<SceneMesh> BuildHarpScene(const VisitMeasurement& visit,
                                      const HarpSceneOptions& options) {
  std::vector<SceneMesh> scene;
  for (const NoteMeasurement& note : visit.notes) {
    if (!HasGeometry(note)) continue;
    scene.push_back(
        Named(RodMesh(note.root_harp_mm, note.tip_harp_mm, note.tine_diameter_mm, options.facets),
              note, "tine", kTineRgb));
    scene.push_back(Named(
        RodMesh(note.pickup_harp_mm, note.pickup_harp_mm + options.pole_tip_mm * Vector3d::UnitZ(),
                note.pole_tip_diameter_mm, options.facets),
        note, "pole tip", kPoleTipRgb));
    const double offset = note.lateral_mm->value;
    if (std::abs(offset) < 0.005) continue;
    scene.push_back(
        Named(ArrowMesh(note.pickup_harp_mm,
                        note.pickup_harp_mm + options.arrow_scale * offset * Vector3d::UnitX(),
                        options.arrow_width_mm, options.facets),
              note, "offset", VerdictRgb(note.lateral_verdict)));
  }
  return scene;
}

}  // namespace tinesight
