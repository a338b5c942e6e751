#include "viewer/harp_scene.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

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

// Builds solids of revolution about a line: rings of vertices joined by quads, ends closed.
class Lathe {
 public:
  Lathe(const Vector3d& start_mm, const Vector3d& end_mm, int facets)
      : start_mm_(start_mm), axis_((end_mm - start_mm).normalized()), facets_(std::max(3, facets)) {
    // Any direction that is not along the axis gives a frame square to it.
    const Vector3d other =
        std::abs(axis_.x()) < 0.9 ? Vector3d(Vector3d::UnitX()) : Vector3d(Vector3d::UnitY());
    across_ = axis_.cross(other).normalized();
    up_ = axis_.cross(across_);
  }

  // A ring of that radius at that distance along the axis, joined to the one before.
  void AddRing(double along_mm, double radius_mm) {
    const auto first = static_cast<std::uint32_t>(mesh_.vertices_mm.size());
    for (int i = 0; i < facets_; ++i) {
      const double angle = 2.0 * std::numbers::pi * i / facets_;
      mesh_.vertices_mm.push_back(start_mm_ + along_mm * axis_ +
                                  radius_mm * (std::cos(angle) * across_ + std::sin(angle) * up_));
    }
    const auto n = static_cast<std::uint32_t>(facets_);
    if (first >= n) JoinRings(first - n, first);
  }

  // Closes the ring just added with a fan about its center; `outward` along the axis or against.
  void Close(double along_mm, bool outward) {
    const auto center = static_cast<std::uint32_t>(mesh_.vertices_mm.size());
    const auto n = static_cast<std::uint32_t>(facets_);
    const std::uint32_t ring = outward ? center - n : 0;
    mesh_.vertices_mm.push_back(start_mm_ + along_mm * axis_);
    for (std::uint32_t i = 0; i < n; ++i) {
      const std::uint32_t a = ring + i;
      const std::uint32_t b = ring + (i + 1) % n;
      mesh_.triangles.push_back(outward ? std::array{center, a, b} : std::array{center, b, a});
    }
  }

  SceneMesh Take(std::string name, int midi, const std::array<std::uint8_t, 3>& color) {
    mesh_.name = std::move(name);
    mesh_.midi = midi;
    mesh_.color_rgb = color;
    return std::move(mesh_);
  }

 private:
  void JoinRings(std::uint32_t below, std::uint32_t above) {
    const auto n = static_cast<std::uint32_t>(facets_);
    for (std::uint32_t i = 0; i < n; ++i) {
      const std::uint32_t next = (i + 1) % n;
      mesh_.triangles.push_back({below + i, below + next, above + next});
      mesh_.triangles.push_back({below + i, above + next, above + i});
    }
  }

  Vector3d start_mm_;
  Vector3d axis_;
  Vector3d across_;
  Vector3d up_;
  int facets_;
  SceneMesh mesh_;
};

SceneMesh Rod(const Vector3d& start_mm, const Vector3d& end_mm, double diameter_mm, int facets,
              const std::string& name, int midi, const std::array<std::uint8_t, 3>& color) {
  const double length = (end_mm - start_mm).norm();
  Lathe lathe(start_mm, end_mm, facets);
  lathe.AddRing(0.0, 0.5 * diameter_mm);
  lathe.AddRing(length, 0.5 * diameter_mm);
  lathe.Close(length, true);
  lathe.Close(0.0, false);
  return lathe.Take(name, midi, color);
}

SceneMesh ArrowMesh(const Vector3d& start_mm, const Vector3d& end_mm, double width_mm, int facets,
                    const std::string& name, int midi, const std::array<std::uint8_t, 3>& color) {
  const double length = (end_mm - start_mm).norm();
  const double head = std::min(2.5 * width_mm, 0.7 * length);
  Lathe lathe(start_mm, end_mm, facets);
  lathe.AddRing(0.0, 0.5 * width_mm);
  lathe.AddRing(length - head, 0.5 * width_mm);
  lathe.AddRing(length - head, 1.2 * width_mm);
  lathe.AddRing(length, 1e-3 * width_mm);  // nearly a point: keeps every triangle's area above 0
  lathe.Close(length, true);
  lathe.Close(0.0, false);
  return lathe.Take(name, midi, color);
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
    scene.push_back(Rod(note.root_harp_mm, note.tip_harp_mm, note.tine_diameter_mm, options.facets,
                        note.name + " tine", note.midi, kTineRgb));
    scene.push_back(Rod(note.pickup_harp_mm,
                        note.pickup_harp_mm + options.pole_tip_mm * Vector3d::UnitZ(),
                        note.pole_tip_diameter_mm, options.facets, note.name + " pole tip",
                        note.midi, kPoleTipRgb));
    const double offset = note.lateral_mm->value;
    if (std::abs(offset) < 0.005) continue;
    scene.push_back(ArrowMesh(
        note.pickup_harp_mm, note.pickup_harp_mm + options.arrow_scale * offset * Vector3d::UnitX(),
        options.arrow_width_mm, options.facets, note.name + " offset", note.midi,
        VerdictRgb(note.lateral_verdict)));
  }
  return scene;
}

}  // namespace tinesight
