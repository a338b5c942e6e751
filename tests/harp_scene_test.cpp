#include "viewer/harp_scene.hpp"

#include <gtest/gtest.h>

#include <Eigen/Geometry>
#include <map>
#include <numbers>

#include "tests/sample_visit.hpp"

namespace tinesight {
namespace {

// Volume enclosed, by the divergence theorem; positive only if the triangles face outward.
double VolumeMm3(const SceneMesh& mesh) {
  double six_volumes = 0.0;
  for (const auto& t : mesh.triangles) {
    six_volumes += mesh.vertices_mm[t[0]].dot(mesh.vertices_mm[t[1]].cross(mesh.vertices_mm[t[2]]));
  }
  return six_volumes / 6.0;
}

TEST(HarpScene, HasRodPoleTipAndArrowOfEveryMeasuredNote) {
  const auto scene = BuildHarpScene(SampleVisit());
  ASSERT_EQ(scene.size(), 9U);
  EXPECT_EQ(scene[3].name, "F2 tine");
  EXPECT_EQ(scene[4].name, "F2 pole tip");
  EXPECT_EQ(scene[5].name, "F2 offset");
  EXPECT_EQ(scene[5].midi, 41);
}

TEST(HarpScene, SolidsAreClosedFaceOutwardAndHaveTheRightVolume) {
  HarpSceneOptions options;
  options.facets = 200;
  const VisitMeasurement visit = SampleVisit();
  for (const SceneMesh& mesh : BuildHarpScene(visit, options)) {
    std::map<std::pair<std::uint32_t, std::uint32_t>, int> directed;
    for (const auto& t : mesh.triangles) {
      for (int i = 0; i < 3; ++i) {
        ++directed[{t[static_cast<std::size_t>(i)], t[static_cast<std::size_t>((i + 1) % 3)]}];
      }
    }
    for (const auto& [edge, count] : directed) {
      ASSERT_EQ(count, 1) << mesh.name;
      ASSERT_EQ(directed.count({edge.second, edge.first}), 1U) << mesh.name;
    }
    EXPECT_GT(VolumeMm3(mesh), 0.0) << mesh.name;
  }
  const NoteMeasurement& note = visit.notes[0];
  const double length = (note.tip_harp_mm - note.root_harp_mm).norm();
  const double rod = std::numbers::pi * 0.25 * 1.9 * 1.9 * length;
  // A 200-gon has 0.016 % less area than its circle.
  EXPECT_NEAR(VolumeMm3(BuildHarpScene(visit, options)[0]), rod, 2e-4 * rod);
}

TEST(HarpScene, ArrowPointsToWhereTheTineIs) {
  const auto scene = BuildHarpScene(SampleVisit());
  double farthest = -1e9;
  for (const auto& vertex : scene[5].vertices_mm) farthest = std::max(farthest, vertex.x());
  EXPECT_NEAR(farthest, 13.7 + 0.9, 1e-9);
}

TEST(HarpScene, IsEmptyWithoutFigures) {
  VisitMeasurement visit = SampleVisit();
  for (auto& note : visit.notes) note.lateral_mm.reset();
  EXPECT_TRUE(BuildHarpScene(visit).empty());
}

}  // namespace
}  // namespace tinesight
