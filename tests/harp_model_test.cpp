// The exported models, opened by a reader that is none of ours and not Open3D's: assimp.
#include <assimp/scene.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <Eigen/Core>
#include <Eigen/Geometry>
#include <algorithm>
#include <assimp/Importer.hpp>
#include <cmath>
#include <map>
#include <string>
#include <vector>

#include "record/result_json.hpp"
#include "tests/run_command.hpp"
#include "tests/sample_visit.hpp"
#include "tests/temp_folder.hpp"

namespace tinesight {
namespace {

using ::testing::HasSubstr;
using tinesight::testing::TempFolder;

struct Mesh {
  Eigen::AlignedBox3d box;
  std::vector<aiColor4D> colors;
};

void Collect(const aiScene& scene, const aiNode& node, const aiMatrix4x4& above,
             std::map<std::string, Mesh>& meshes, std::map<std::string, std::string>& nodes) {
  const aiMatrix4x4 here = above * node.mTransformation;
  for (unsigned i = 0; i < node.mNumMeshes; ++i) {
    const aiMesh& mesh = *scene.mMeshes[node.mMeshes[i]];
    Mesh& found = meshes[mesh.mName.C_Str()];
    nodes[mesh.mName.C_Str()] = node.mName.C_Str();
    for (unsigned v = 0; v < mesh.mNumVertices; ++v) {
      const aiVector3D place = here * mesh.mVertices[v];
      found.box.extend(Eigen::Vector3d(place.x, place.y, place.z));
      if (mesh.HasVertexColors(0)) found.colors.push_back(mesh.mColors[0][v]);
    }
  }
  for (unsigned i = 0; i < node.mNumChildren; ++i) {
    Collect(scene, *node.mChildren[i], here, meshes, nodes);
  }
}

class HarpModel : public ::testing::Test {
 protected:
  void SetUp() override {
    visit_ = SampleVisit();
    folder_.Write("result.json", ResultJson(visit_));
  }

  void Export(const std::string& model) {
    const CommandOutcome outcome =
        RunTinesight("export result.json --model " + model, folder_.Path());
    ASSERT_EQ(outcome.status, 0) << outcome.err;
    const aiScene* scene = importer_.ReadFile((folder_ / model).string(), 0);
    ASSERT_NE(scene, nullptr) << importer_.GetErrorString();
    Collect(*scene, *scene->mRootNode, aiMatrix4x4(), meshes_, nodes_);
    mesh_count_ = scene->mNumMeshes;
  }

  // What a note's tine and pole tip span along z: from the root to the back of the pole tip's disc.
  static double Length(const NoteMeasurement& note) {
    return note.pickup_harp_mm.z() + 1.0 - note.root_harp_mm.z();
  }

  VisitMeasurement visit_;
  TempFolder folder_;
  Assimp::Importer importer_;
  std::map<std::string, Mesh> meshes_;
  std::map<std::string, std::string> nodes_;  // by mesh
  unsigned mesh_count_ = 0;
};

TEST_F(HarpModel, AsGltfHasOneNamedMeshForEachMeasuredNoteAndIsInMeters) {
  ASSERT_NO_FATAL_FAILURE(Export("harp.gltf"));
  EXPECT_EQ(mesh_count_, 3u);  // the fourth note was not measured
  ASSERT_EQ(meshes_.size(), 3u);
  for (std::size_t i = 0; i < 3; ++i) {
    const NoteMeasurement& note = visit_.notes[i];
    ASSERT_EQ(meshes_.count(note.name), 1u) << note.name;
    const Eigen::AlignedBox3d& box = meshes_[note.name].box;
    // Rods are polygons of 24 sides about a slightly tilted axis: the ends reach a little beyond.
    EXPECT_NEAR(1e3 * box.sizes().z(), Length(note), 0.05) << note.name;
    const double radius_mm = 0.5 * note.pole_tip_diameter_mm;
    EXPECT_NEAR(1e3 * box.min().y(), note.pickup_harp_mm.y() - radius_mm, 0.02) << note.name;
    EXPECT_TRUE(box.contains(Eigen::Vector3d(1e-3 * note.pickup_harp_mm))) << note.name;
  }
  EXPECT_EQ(nodes_["E2"], "E2: centered");
  EXPECT_EQ(nodes_["F2"], "F2: re-center");
  EXPECT_EQ(nodes_["F#2"], "F#2: uncertain");
}

TEST_F(HarpModel, AsGltfIsColoredByVerdict) {
  ASSERT_NO_FATAL_FAILURE(Export("harp.gltf"));
  const auto has = [&](const std::string& note, float r, float g, float b) {
    return std::any_of(meshes_[note].colors.begin(), meshes_[note].colors.end(),
                       [&](const aiColor4D& c) {
                         return std::abs(c.r - r) < 0.01F && std::abs(c.g - g) < 0.01F &&
                                std::abs(c.b - b) < 0.01F;
                       });
  };
  // Okabe and Ito (2008): sky blue, vermilion, yellow.
  EXPECT_TRUE(has("E2", 0x56 / 255.0F, 0xB4 / 255.0F, 0xE9 / 255.0F));
  EXPECT_TRUE(has("F2", 0xD5 / 255.0F, 0x5E / 255.0F, 0x00 / 255.0F));
  EXPECT_TRUE(has("F#2", 0xF0 / 255.0F, 0xE4 / 255.0F, 0x42 / 255.0F));
  EXPECT_FALSE(has("E2", 0xD5 / 255.0F, 0x5E / 255.0F, 0x00 / 255.0F));
}

TEST_F(HarpModel, AsPlyIsOneMeshInMillimeters) {
  ASSERT_NO_FATAL_FAILURE(Export("harp.ply"));
  EXPECT_EQ(mesh_count_, 1u);
  const Eigen::AlignedBox3d& box = meshes_.begin()->second.box;
  const double radius_mm = 0.5 * visit_.notes[0].pole_tip_diameter_mm;
  EXPECT_NEAR(box.min().x(), visit_.notes[0].pickup_harp_mm.x() - radius_mm, 0.02);
  EXPECT_NEAR(box.max().x(), visit_.notes[2].pickup_harp_mm.x() + radius_mm, 0.02);
  EXPECT_NEAR(box.sizes().z(), Length(visit_.notes[0]), 0.05);
  EXPECT_FALSE(meshes_.begin()->second.colors.empty());
}

TEST_F(HarpModel, IsRefusedWithoutAMeasuredNoteAndLeavesNoFile) {
  for (NoteMeasurement& note : visit_.notes) note.lateral_mm.reset();
  folder_.Write("result.json", ResultJson(visit_));
  const CommandOutcome outcome =
      RunTinesight("export result.json --model harp.gltf", folder_.Path());
  EXPECT_EQ(outcome.status, 1);
  EXPECT_THAT(outcome.err, HasSubstr("no note was measured"));
  EXPECT_FALSE(std::filesystem::exists(folder_ / "harp.gltf"));
}

}  // namespace
}  // namespace tinesight
