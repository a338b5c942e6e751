#include "calibration/rig.hpp"

#include <Eigen/Geometry>
#include <algorithm>
#include <limits>
#include <nlohmann/json.hpp>
#include <set>

#include "calibration/file_io.hpp"
#include "calibration/json_field.hpp"

namespace tinesight {
namespace {

using nlohmann::json;

constexpr int kTagFamilySize = 587;  // 36h11
constexpr double kDefaultU_mm = 0.05;
const FieldRange kCoordinateRange{-10000.0, 10000.0, "coordinates are in rig mm"};
const FieldRange kUncertaintyRange{1e-6, 100.0, "it is a standard uncertainty in mm"};

Result<Eigen::Vector3d> ReadPosition(const json& list, const std::string& key,
                                     const std::string& where) {
  if (!list.is_array() || list.size() != 3) {
    return Fail(where + ": " + key +
                " must be three numbers [x, y, z] in rig mm; correct the file");
  }
  Eigen::Vector3d position_mm;
  for (int axis = 0; axis < 3; ++axis) {
    const auto value =
        CheckNumber(list[static_cast<std::size_t>(axis)], key, kCoordinateRange, where);
    if (!value) return tl::unexpected<Error>(value.error());
    position_mm[axis] = *value;
  }
  return position_mm;
}

/// A tag is a printed square: four nearly equal sides, nearly equal diagonals, flat. The bounds
/// are wide (15 %) since a surveyed rig may be a little off; what they catch is a typing error, a
/// wrong order of the corners and corners in one line.
Result<void> CheckSquare(const RigTag& tag, const std::string& where) {
  constexpr double kTolerance = 0.15;
  const auto& c = tag.corners_mm;
  for (const Eigen::Vector3d& corner : c) {
    if (!corner.allFinite()) return Fail(where + ": a corner is not a number; correct it");
  }
  std::array<double, 4> sides_mm{};
  for (std::size_t i = 0; i < 4; ++i) sides_mm[i] = (c[(i + 1) % 4] - c[i]).norm();
  const auto [shortest, longest] = std::minmax_element(sides_mm.begin(), sides_mm.end());
  const double diagonal_a = (c[2] - c[0]).norm();
  const double diagonal_b = (c[3] - c[1]).norm();
  if (!(*shortest >= 0.5)) {
    return Fail(where + ": two corners lie " + FormatNumber(*shortest) +
                " mm apart, but a tag's side is at least 0.5 mm; correct corners_mm");
  }
  const double warp_mm = (c[0] - c[1] + c[2] - c[3]).norm();
  const bool square =
      *longest <= (1.0 + kTolerance) * *shortest &&
      std::max(diagonal_a, diagonal_b) <= (1.0 + kTolerance) * std::min(diagonal_a, diagonal_b) &&
      warp_mm <= 2.0 * kTolerance * *shortest;
  if (!square) {
    return Fail(where + ": its corners are no square (sides " + FormatNumber(*shortest) + " to " +
                FormatNumber(*longest) + " mm, diagonals " + FormatNumber(diagonal_a) + " and " +
                FormatNumber(diagonal_b) +
                " mm); corners_mm are top-left, top-right, bottom-right, bottom-left");
  }
  return {};
}

/// What holds of the whole rig, read or about to be written.
Result<void> Validate(const Rig& rig, const std::string& where) {
  if (rig.tags.empty()) {
    return Fail(where + ": lists no tags; a rig needs tags to be found in a photo");
  }
  std::set<int> ids;
  for (const RigTag& tag : rig.tags) {
    const std::string name = where + ": tag " + std::to_string(tag.id);
    if (tag.id < 0 || tag.id >= kTagFamilySize) {
      return Fail(name + ": the tag family has the ids 0 to 586; correct the id");
    }
    if (!ids.insert(tag.id).second) return Fail(name + " is listed twice; remove one of them");
    if (auto square = CheckSquare(tag, name); !square) return square;
  }
  for (std::size_t i = 0; i < rig.tags.size(); ++i) {
    for (std::size_t j = 0; j < i; ++j) {
      const double side_mm = (rig.tags[i].corners_mm[1] - rig.tags[i].corners_mm[0]).norm();
      if ((rig.tags[i].CenterMm() - rig.tags[j].CenterMm()).norm() < 0.5 * side_mm) {
        return Fail(where + ": tags " + std::to_string(rig.tags[j].id) + " and " +
                    std::to_string(rig.tags[i].id) + " lie on the same place; correct corners_mm");
      }
    }
  }
  ids.clear();
  for (const RigPoint& point : rig.points) {
    const std::string name = where + ": point " + std::to_string(point.id);
    if (!ids.insert(point.id).second) return Fail(name + " is listed twice; remove one of them");
    if (!point.position_mm.allFinite()) return Fail(name + " is not at a number; correct it");
  }
  return {};
}

Result<RigTag> ReadTag(const json& entry, const std::string& list_place, const std::string& where) {
  RigTag tag;
  const auto id = IntegerField(entry, "id", 0, kTagFamilySize - 1, where + ": " + list_place);
  if (!id) return tl::unexpected<Error>(id.error());
  tag.id = *id;
  const std::string name = where + ": tag " + std::to_string(tag.id);
  const auto corners = entry.find("corners_mm");
  if (corners == entry.end() || !corners->is_array() || corners->size() != 4) {
    return Fail(name + ": corners_mm must be four corners [x, y, z] in rig mm; add them");
  }
  for (std::size_t i = 0; i < 4; ++i) {
    const auto corner = ReadPosition((*corners)[i], "corners_mm", name);
    if (!corner) return tl::unexpected<Error>(corner.error());
    tag.corners_mm[i] = *corner;
  }
  const auto u_mm = NumberFieldOr(entry, "u_mm", kDefaultU_mm, kUncertaintyRange, name);
  if (!u_mm) return tl::unexpected<Error>(u_mm.error());
  tag.u_mm = *u_mm;
  return tag;
}

Result<RigPoint> ReadPoint(const json& entry, const std::string& list_place,
                           const std::string& where) {
  RigPoint point;
  const auto id =
      IntegerField(entry, "id", 0, std::numeric_limits<int>::max(), where + ": " + list_place);
  if (!id) return tl::unexpected<Error>(id.error());
  point.id = *id;
  const std::string name = where + ": point " + std::to_string(point.id);
  const auto xyz = entry.find("xyz_mm");
  if (xyz == entry.end()) return Fail(name + ": xyz_mm is missing; add it to the file");
  const auto position = ReadPosition(*xyz, "xyz_mm", name);
  if (!position) return tl::unexpected<Error>(position.error());
  point.position_mm = *position;
  const auto u_mm = NumberFieldOr(entry, "u_mm", kDefaultU_mm, kUncertaintyRange, name);
  if (!u_mm) return tl::unexpected<Error>(u_mm.error());
  point.u_mm = *u_mm;
  return point;
}

nlohmann::ordered_json ToJson(const Eigen::Vector3d& position_mm) {
  return {position_mm.x(), position_mm.y(), position_mm.z()};
}

}  // namespace

const RigTag* Rig::FindTag(int id) const {
  const auto found =
      std::find_if(tags.begin(), tags.end(), [id](const RigTag& tag) { return tag.id == id; });
  return found == tags.end() ? nullptr : &*found;
}

const RigPoint* Rig::FindPoint(int id) const {
  const auto found = std::find_if(points.begin(), points.end(),
                                  [id](const RigPoint& point) { return point.id == id; });
  return found == points.end() ? nullptr : &*found;
}

Result<Rig> ReadRig(const std::filesystem::path& file) {
  const Result<json> root = ReadJsonFile(file);
  if (!root) return tl::unexpected<Error>(root.error());
  const std::string where = file.string();
  if (!root->is_object() || !root->contains("tags") || !(*root)["tags"].is_array()) {
    return Fail(where +
                ": is not a rig file: it has no list \"tags\"; name the file that `strips` "
                "or `calibrate` wrote");
  }
  Rig rig;
  for (const json& entry : (*root)["tags"]) {
    const auto tag =
        ReadTag(entry, "entry " + std::to_string(rig.tags.size() + 1) + " of tags", where);
    if (!tag) return tl::unexpected<Error>(tag.error());
    rig.tags.push_back(*tag);
  }
  if (root->contains("points")) {
    const json& points = (*root)["points"];
    if (!points.is_array()) return Fail(where + ": points must be a list; correct or remove it");
    for (const json& entry : points) {
      const auto point =
          ReadPoint(entry, "entry " + std::to_string(rig.points.size() + 1) + " of points", where);
      if (!point) return tl::unexpected<Error>(point.error());
      rig.points.push_back(*point);
    }
  }
  const auto valid = Validate(rig, where);
  if (!valid) return tl::unexpected<Error>(valid.error());
  return rig;
}

Result<void> WriteRig(const Rig& rig, const std::filesystem::path& file) {
  const auto valid = Validate(rig, file.string());
  if (!valid) return tl::unexpected<Error>(valid.error());
  nlohmann::ordered_json root;
  root["tags"] = nlohmann::ordered_json::array();
  for (const RigTag& tag : rig.tags) {
    nlohmann::ordered_json entry;
    entry["id"] = tag.id;
    for (const Eigen::Vector3d& corner : tag.corners_mm) {
      entry["corners_mm"].push_back(ToJson(corner));
    }
    entry["u_mm"] = tag.u_mm;
    root["tags"].push_back(entry);
  }
  if (!rig.points.empty()) {
    root["points"] = nlohmann::ordered_json::array();
    for (const RigPoint& point : rig.points) {
      root["points"].push_back(
          {{"id", point.id}, {"xyz_mm", ToJson(point.position_mm)}, {"u_mm", point.u_mm}});
    }
  }
  return WriteJsonFile(file, root);
}

}  // namespace tinesight
