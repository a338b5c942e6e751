#include "viewer/harp_export.hpp"

#include <open3d/geometry/TriangleMesh.h>
#include <open3d/io/TriangleMeshIO.h>
#include <open3d/utility/Logging.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <cstring>
#include <exception>
#include <nlohmann/json.hpp>
#include <string>

#include "alignment/verdict.hpp"
#include "calibration/file_io.hpp"
#include "calibration/temporary_file.hpp"
#include "record/note_group.hpp"

namespace tinesight {
namespace {

using OrderedJson = nlohmann::ordered_json;
using open3d::geometry::TriangleMesh;

constexpr std::array<std::uint8_t, 3> kPoleTipGray{0x99, 0x99, 0x99};

// The colors of the annotated photos (Okabe and Ito, 2008).
std::array<std::uint8_t, 3> GroupRgb(NoteGroup group) {
  switch (group) {
    case NoteGroup::kOut:
      return {0xD5, 0x5E, 0x00};
    case NoteGroup::kUncertain:
    case NoteGroup::kPartly:
      return {0xF0, 0xE4, 0x42};
    case NoteGroup::kGood:
      return {0x56, 0xB4, 0xE9};
    case NoteGroup::kNotMeasured:
      break;
  }
  return {0xBB, 0xBB, 0xBB};
}

std::string GroupWord(NoteGroup group, const NoteMeasurement& note) {
  if (group == NoteGroup::kPartly) return "centered, height or gap uncertain";
  if (group == NoteGroup::kOut && note.lateral_verdict != Verdict::kOutOfTolerance) return "adjust";
  return VerdictWord(note.lateral_verdict, Quantity::kLateral);
}

void Append(const SceneMesh& part, TriangleMesh& mesh) {
  const auto first = static_cast<int>(mesh.vertices_.size());
  const Eigen::Vector3d color(part.color_rgb[0] / 255.0, part.color_rgb[1] / 255.0,
                              part.color_rgb[2] / 255.0);
  for (const Eigen::Vector3d& vertex : part.vertices_mm) {
    mesh.vertices_.push_back(vertex);
    mesh.vertex_colors_.push_back(color);
  }
  for (const auto& t : part.triangles) {
    mesh.triangles_.emplace_back(first + static_cast<int>(t[0]), first + static_cast<int>(t[1]),
                                 first + static_cast<int>(t[2]));
  }
}

// What Open3D writes of a mesh. It writes in place; through a temporary file ours is whole or not
// there at all.
Result<std::string> MeshBytes(const TriangleMesh& mesh, const std::string& ending) {
  const TemporaryFile temporary(ending);
  if (!temporary.Made()) {
    return Fail(std::string("no temporary file could be made: ") + std::strerror(errno));
  }
  open3d::utility::SetVerbosityLevel(open3d::utility::VerbosityLevel::Error);
  try {
    if (!open3d::io::WriteTriangleMesh(temporary.Name(), mesh, /*write_ascii=*/true)) {
      return Fail("the model could not be written");
    }
  } catch (const std::exception& error) {
    return Fail(std::string("the model could not be written: ") + error.what());
  }
  return ReadFileBytes(temporary.Name());
}

Result<std::string> PlyBytes(const std::vector<NoteModel>& notes) {
  TriangleMesh all;
  for (const NoteModel& note : notes) {
    for (const SceneMesh& part : note.parts) Append(part, all);
  }
  return MeshBytes(all, ".ply");
}

void Offset(OrderedJson& index, std::size_t by) { index = index.get<std::size_t>() + by; }

// Adds the one mesh of a document to another document, under a name: arrays are joined, and indices
// into them moved on by what stood there before.
void AddDocument(OrderedJson& all, OrderedJson one, const NoteModel& note) {
  const std::size_t buffers = all["buffers"].size();
  const std::size_t views = all["bufferViews"].size();
  const std::size_t accessors = all["accessors"].size();
  for (OrderedJson& buffer : one.at("buffers")) all["buffers"].push_back(std::move(buffer));
  for (OrderedJson& view : one.at("bufferViews")) {
    Offset(view.at("buffer"), buffers);
    all["bufferViews"].push_back(std::move(view));
  }
  for (OrderedJson& accessor : one.at("accessors")) {
    Offset(accessor.at("bufferView"), views);
    all["accessors"].push_back(std::move(accessor));
  }
  OrderedJson& mesh = one.at("meshes").at(0);
  for (OrderedJson& primitive : mesh.at("primitives")) {
    for (auto& [attribute, accessor] : primitive.at("attributes").items()) {
      Offset(accessor, accessors);
    }
    if (primitive.contains("indices")) Offset(primitive.at("indices"), accessors);
    primitive.erase("material");
  }
  mesh["name"] = note.name;
  all["nodes"].push_back(
      {{"name", note.name + ": " + note.verdict}, {"mesh", all["meshes"].size()}});
  all["meshes"].push_back(std::move(mesh));
}

// Open3D writes one mesh a file and no names; glTF is JSON, so its documents can be joined.
Result<std::string> GltfBytes(const std::vector<NoteModel>& notes) {
  OrderedJson all;
  all["asset"] = {{"version", "2.0"}, {"generator", "Tinesight"}};
  all["scene"] = 0;
  all["scenes"] = OrderedJson::array();
  for (const char* list : {"nodes", "meshes", "accessors", "bufferViews", "buffers"}) {
    all[list] = OrderedJson::array();
  }
  try {
    for (const NoteModel& note : notes) {
      TriangleMesh mesh;
      for (const SceneMesh& part : note.parts) Append(part, mesh);
      Result<std::string> bytes = MeshBytes(mesh, ".gltf");
      if (!bytes) return bytes;
      AddDocument(all, OrderedJson::parse(*bytes), note);
    }
  } catch (const nlohmann::json::exception& error) {
    return Fail(std::string("Open3D wrote a glTF file of another shape: ") + error.what());
  }
  OrderedJson children = OrderedJson::array();
  for (std::size_t i = 0; i < notes.size(); ++i) children.push_back(i);
  all["scenes"].push_back({{"nodes", {notes.size()}}});
  all["nodes"].push_back({{"name", "harp (mm)"}, {"scale", {1e-3, 1e-3, 1e-3}}});
  all["nodes"].back()["children"] = std::move(children);
  return all.dump(1) + '\n';
}

}  // namespace

std::vector<NoteModel> NoteModels(const VisitMeasurement& visit) {
  std::vector<NoteModel> models;
  for (SceneMesh& mesh : BuildHarpScene(visit)) {
    const auto note = std::find_if(visit.notes.begin(), visit.notes.end(),
                                   [&](const auto& n) { return n.midi == mesh.midi; });
    const NoteGroup group = GroupOf(*note);
    if (models.empty() || models.back().name != note->name) {
      models.push_back({note->name, GroupWord(group, *note), {}});
    }
    if (mesh.name == note->name + " tine") mesh.color_rgb = GroupRgb(group);
    if (mesh.name == note->name + " pole tip") mesh.color_rgb = kPoleTipGray;
    models.back().parts.push_back(std::move(mesh));
  }
  return models;
}

Result<void> WriteHarpModel(const std::vector<NoteModel>& notes,
                            const std::filesystem::path& file) {
  if (notes.empty()) return Fail(file.string() + ": no note was measured, so there is no model");
  const Result<std::string> bytes =
      file.extension() == ".gltf" ? GltfBytes(notes) : PlyBytes(notes);
  if (!bytes) return Fail(file.string() + ": " + bytes.error().message);
  return WriteFileAtomically(file, *bytes);
}

}  // namespace tinesight
