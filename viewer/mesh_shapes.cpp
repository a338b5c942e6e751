#include "viewer/mesh_shapes.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <utility>

namespace tinesight {

using Eigen::Vector3d;

namespace {

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
      mesh_.vertices_mm.emplace_back(start_mm_ + along_mm * axis_ +
                                     radius_mm *
                                         (std::cos(angle) * across_ + std::sin(angle) * up_));
    }
    const auto n = static_cast<std::uint32_t>(facets_);
    if (first >= n) JoinRings(first - n, first);
  }

  // Closes the ring just added with a fan about its center; `outward` along the axis or against.
  void Close(double along_mm, bool outward) {
    const auto center = static_cast<std::uint32_t>(mesh_.vertices_mm.size());
    const auto n = static_cast<std::uint32_t>(facets_);
    const std::uint32_t ring = outward ? center - n : 0;
    mesh_.vertices_mm.emplace_back(start_mm_ + along_mm * axis_);
    for (std::uint32_t i = 0; i < n; ++i) {
      const std::uint32_t a = ring + i;
      const std::uint32_t b = ring + (i + 1) % n;
      mesh_.triangles.push_back(outward ? std::array{center, a, b} : std::array{center, b, a});
    }
  }

  SceneMesh Take() { return std::move(mesh_); }

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

}  // namespace

SceneMesh RodMesh(const Vector3d& start_mm, const Vector3d& end_mm, double diameter_mm,
                  int facets) {
  const double length = (end_mm - start_mm).norm();
  Lathe lathe(start_mm, end_mm, facets);
  lathe.AddRing(0.0, 0.5 * diameter_mm);
  lathe.AddRing(length, 0.5 * diameter_mm);
  lathe.Close(length, true);
  lathe.Close(0.0, false);
  return lathe.Take();
}

SceneMesh ArrowMesh(const Vector3d& start_mm, const Vector3d& end_mm, double width_mm, int facets) {
  const double length = (end_mm - start_mm).norm();
  const double head = std::min(2.5 * width_mm, 0.7 * length);
  Lathe lathe(start_mm, end_mm, facets);
  lathe.AddRing(0.0, 0.5 * width_mm);
  lathe.AddRing(length - head, 0.5 * width_mm);
  lathe.AddRing(length - head, 1.2 * width_mm);
  lathe.AddRing(length, 1e-3 * width_mm);  // nearly a point: keeps every triangle's area above 0
  lathe.Close(length, true);
  lathe.Close(0.0, false);
  return lathe.Take();
}

SceneMesh BoxMesh(const Vector3d& start_mm, const Vector3d& end_mm, double width_mm,
                  double height_mm) {
  const Vector3d along = (end_mm - start_mm).normalized();
  const Vector3d helper =
      std::abs(along.x()) < 0.9 ? Vector3d(Vector3d::UnitX()) : Vector3d(Vector3d::UnitY());
  const Vector3d up = along.cross(helper).normalized();
  const Vector3d across = up.cross(along);
  SceneMesh mesh;
  for (const Vector3d& end : {start_mm, end_mm}) {
    for (const auto& [x, y] : {std::pair{-0.5, -0.5}, {0.5, -0.5}, {0.5, 0.5}, {-0.5, 0.5}}) {
      mesh.vertices_mm.emplace_back(end + x * width_mm * across + y * height_mm * up);
    }
  }
  // Corners 0 to 3 at the start, 4 to 7 at the end; counterclockwise seen from outside, where
  // (across, up, along) is a right-handed frame.
  mesh.triangles = {{0, 2, 1}, {0, 3, 2}, {4, 5, 6}, {4, 6, 7}, {0, 1, 5}, {0, 5, 4},
                    {1, 2, 6}, {1, 6, 5}, {2, 3, 7}, {2, 7, 6}, {3, 0, 4}, {3, 4, 7}};
  return mesh;
}

}  // namespace tinesight
