#include "calibration/camera.hpp"

#include <Eigen/LU>
#include <algorithm>
#include <cmath>
#include <limits>
#include <nlohmann/json.hpp>
#include <utility>

#include "calibration/file_io.hpp"
#include "calibration/json_field.hpp"

namespace tinesight {
namespace {

using nlohmann::json;

constexpr int kMinSide_px = 16;
constexpr int kMaxSide_px = 65535;
constexpr std::array<const char*, 5> kDistortionKeys = {"k1", "k2", "p1", "p2", "k3"};
constexpr std::array<const char*, 9> kUncertaintyKeys = {"fx", "fy", "cx", "cy", "k1",
                                                         "k2", "p1", "p2", "k3"};

/// The distortion of a direction (x, y, 1) and its derivative.
struct Distorted {
  Eigen::Vector2d position;
  Eigen::Matrix2d jacobian;
};

Distorted Distort(const Eigen::Vector2d& direction, const std::array<double, 5>& d) {
  const double x = direction.x();
  const double y = direction.y();
  const double r2 = x * x + y * y;
  const double radial = 1.0 + r2 * (d[0] + r2 * (d[1] + r2 * d[4]));
  const double radial_by_r2 = d[0] + r2 * (2.0 * d[1] + 3.0 * r2 * d[4]);
  Distorted result;
  result.position.x() = x * radial + 2.0 * d[2] * x * y + d[3] * (r2 + 2.0 * x * x);
  result.position.y() = y * radial + d[2] * (r2 + 2.0 * y * y) + 2.0 * d[3] * x * y;
  const double mixed = 2.0 * x * y * radial_by_r2 + 2.0 * d[2] * x + 2.0 * d[3] * y;
  result.jacobian << radial + 2.0 * x * x * radial_by_r2 + 2.0 * d[2] * y + 6.0 * d[3] * x, mixed,
      mixed, radial + 2.0 * y * y * radial_by_r2 + 6.0 * d[2] * y + 2.0 * d[3] * x;
  return result;
}

/// On the branch that starts at the principal point the derivative is positive definite; where it
/// is not, the model has folded the picture back over itself.
bool IsUnfolded(const Eigen::Matrix2d& jacobian) {
  return jacobian.determinant() > 0.0 && jacobian.trace() > 0.0;
}

/// The distortion must map one to one over the part of the picture where the rig and the tines
/// are: three quarters of the way from the principal point to the border. (Not all the way: a
/// calibration without points in the corners may fold there and still be good inside.)
bool FoldsInsidePicture(const Camera& camera) {
  constexpr double kPart = 0.75;
  constexpr int kSteps = 16;
  const Eigen::Vector2d center(camera.cx_px, camera.cy_px);
  for (int i = 0; i <= kSteps; ++i) {
    const double u = camera.width_px * static_cast<double>(i) / kSteps;
    const double v = camera.height_px * static_cast<double>(i) / kSteps;
    for (const Eigen::Vector2d& border :
         {Eigen::Vector2d(u, 0.0), Eigen::Vector2d(u, camera.height_px), Eigen::Vector2d(0.0, v),
          Eigen::Vector2d(camera.width_px, v)}) {
      const Eigen::Vector2d inside = center + kPart * (border - center);
      if (!camera.Undistort(inside).allFinite()) return true;
    }
  }
  return false;
}

/// What a camera must satisfy to be read or written; `where` names the file.
Result<void> Validate(const Camera& camera, const std::string& where) {
  if (std::min(camera.width_px, camera.height_px) < kMinSide_px ||
      std::max(camera.width_px, camera.height_px) > kMaxSide_px) {
    return Fail(where + ": width and height are " + std::to_string(camera.width_px) + " and " +
                std::to_string(camera.height_px) + ", which is no photo's size; correct them");
  }
  const double longer_px = std::max(camera.width_px, camera.height_px);
  const std::string size =
      std::to_string(camera.width_px) + "×" + std::to_string(camera.height_px) + " px";
  for (const auto& [key, value] : {std::pair("fx", camera.fx_px), std::pair("fy", camera.fy_px)}) {
    const auto checked =
        CheckNumber(json(value), key,
                    {0.1 * longer_px, 50.0 * longer_px,
                     "it is the focal length in px of a picture of " + size + ", calibrate again"},
                    where);
    if (!checked) return tl::unexpected<Error>(checked.error());
  }
  if (!(std::abs(camera.fx_px / camera.fy_px - 1.0) <= 0.2)) {
    return Fail(where + ": fx and fy are " + FormatNumber(camera.fx_px) + " and " +
                FormatNumber(camera.fy_px) +
                ", but a phone's pixels are square and the two must be nearly equal; calibrate "
                "again");
  }
  for (const auto& [key, value, side] : {std::tuple("cx", camera.cx_px, camera.width_px),
                                         std::tuple("cy", camera.cy_px, camera.height_px)}) {
    const auto checked = CheckNumber(
        json(value), key,
        {0.0, static_cast<double>(side), "the principal point must lie in the picture of " + size},
        where);
    if (!checked) return tl::unexpected<Error>(checked.error());
  }
  for (std::size_t i = 0; i < kDistortionKeys.size(); ++i) {
    const auto checked = CheckNumber(json(camera.distortion[i]), kDistortionKeys[i],
                                     {-1000.0, 1000.0, "calibrate again"}, where);
    if (!checked) return tl::unexpected<Error>(checked.error());
  }
  if (FoldsInsidePicture(camera)) {
    return Fail(where + ": the distortion (k1 " + FormatNumber(camera.distortion[0]) + ", k2 " +
                FormatNumber(camera.distortion[1]) + ", k3 " + FormatNumber(camera.distortion[4]) +
                ") folds the picture over itself before its border; check the signs and the "
                "order k1, k2, p1, p2, k3");
  }
  return {};
}

Result<std::array<double, 5>> ReadDistortion(const json& root, const std::string& where) {
  const FieldRange any{-1000.0, 1000.0, "calibrate again"};
  std::array<double, 5> distortion{};
  const bool flat = std::any_of(kDistortionKeys.begin(), kDistortionKeys.end(),
                                [&](const char* key) { return root.contains(key); });
  if (!root.contains("distortion")) {
    if (!flat) {
      return Fail(where +
                  ": distortion is missing; add \"distortion\": [k1, k2, p1, p2, k3], all 0 for a "
                  "picture without distortion");
    }
    for (std::size_t i = 0; i < distortion.size(); ++i) {
      // Four-coefficient models leave out k3 and mean 0.
      const std::string key = kDistortionKeys[i];
      const auto value = key == "k3" ? NumberFieldOr(root, key, 0.0, any, where)
                                     : NumberField(root, key, any, where);
      if (!value) return tl::unexpected<Error>(value.error());
      distortion[i] = *value;
    }
    return distortion;
  }
  if (flat) {
    return Fail(where + ": has both distortion and the keys k1, k2, …; keep one of them");
  }
  const json& list = root["distortion"];
  if (!list.is_array() || list.size() < 4 || list.size() > 5) {
    return Fail(where + ": distortion must be the list [k1, k2, p1, p2, k3]" +
                (list.is_array() ? ", but has " + std::to_string(list.size()) + " values" : "") +
                "; calibrate with the five-coefficient model");
  }
  for (std::size_t i = 0; i < list.size(); ++i) {
    const auto value = CheckNumber(list[i], kDistortionKeys[i], any, where);
    if (!value) return tl::unexpected<Error>(value.error());
    distortion[i] = *value;
  }
  return distortion;
}

Result<std::optional<CameraExif>> ReadExif(const json& root, const std::string& where) {
  if (!root.contains("exif") || root["exif"].is_null()) return std::nullopt;
  const json& block = root["exif"];
  if (!block.is_object()) return Fail(where + ": exif must be an object; correct or remove it");
  CameraExif exif;
  for (const auto& [key, text] : {std::pair("make", &exif.make), std::pair("model", &exif.model),
                                  std::pair("lens", &exif.lens)}) {
    const auto value = TextFieldOrEmpty(block, key, where + ": exif");
    if (!value) return tl::unexpected<Error>(value.error());
    *text = *value;
  }
  if (block.contains("focal_length_mm") && !block["focal_length_mm"].is_null()) {
    const auto value = NumberField(block, "focal_length_mm",
                                   {0.1, 2000.0, "it is EXIF's focal length, remove it if unknown"},
                                   where + ": exif");
    if (!value) return tl::unexpected<Error>(value.error());
    exif.focal_length_mm = *value;
  }
  return exif;
}

Result<std::optional<std::array<double, 9>>> ReadUncertainty(const json& root,
                                                             const std::string& where) {
  constexpr const char* kKey = "standard_uncertainty";
  if (!root.contains(kKey) || root[kKey].is_null()) return std::nullopt;
  std::array<double, 9> uncertainty{};
  for (std::size_t i = 0; i < uncertainty.size(); ++i) {
    const auto value = NumberField(root[kKey], kUncertaintyKeys[i], {0.0, 1e6, "calibrate again"},
                                   where + ": " + kKey);
    if (!value) return tl::unexpected<Error>(value.error());
    uncertainty[i] = *value;
  }
  return uncertainty;
}

Result<int> ReadOrientation(const json& root, const std::string& where) {
  constexpr const char* kKey = "exif_orientation";
  if (!root.contains(kKey)) return 1;
  auto value = IntegerField(root, kKey, 1, 8, where);
  if (value && *value != 1 && *value != 3 && *value != 6 && *value != 8) {
    return Fail(where + ": exif_orientation is " + std::to_string(*value) +
                ", but must be 1, 3, 6 or 8: a mirrored picture can't be calibrated from");
  }
  return value;
}

}  // namespace

Camera Camera::Adjusted(double focal_scale, double dx_px, double dy_px) const {
  Camera adjusted = *this;
  adjusted.fx_px *= focal_scale;
  adjusted.fy_px *= focal_scale;
  adjusted.cx_px += dx_px;
  adjusted.cy_px += dy_px;
  return adjusted;
}

Camera Camera::Turned180() const {
  Camera turned = *this;
  turned.cx_px = width_px - 1 - cx_px;
  turned.cy_px = height_px - 1 - cy_px;
  // The tangential terms are even in x and y, and the distorted position turns its sign.
  turned.distortion[2] = -distortion[2];
  turned.distortion[3] = -distortion[3];
  return turned;
}

Camera Camera::ForOrientation(int orientation) const {
  // Clockwise quarter turns that make the sensor's picture upright.
  const auto turns = [](int code) { return code == 6 ? 1 : code == 3 ? 2 : code == 8 ? 3 : 0; };
  const bool upside_down = (turns(orientation) - turns(exif_orientation) + 4) % 4 == 2;
  if (!upside_down) return *this;
  Camera turned = Turned180();
  turned.exif_orientation = orientation;
  return turned;
}

Eigen::Vector2d Camera::Project(const Eigen::Vector3d& point_camera_mm) const {
  return ProjectPinhole<double>(point_camera_mm, fx_px, fy_px, cx_px, cy_px, distortion.data());
}

Eigen::Vector2d Camera::Undistort(const Eigen::Vector2d& position_px) const {
  constexpr double kConverged = 1e-12;
  constexpr int kMaxIterations = 100;
  const Eigen::Vector2d target((position_px.x() - cx_px) / fx_px,
                               (position_px.y() - cy_px) / fy_px);
  // Newton's method, walking out along the ray from the principal point: starting at the target
  // itself, as is usual, may start beyond a fold and end on the wrong branch.
  Eigen::Vector2d direction = Eigen::Vector2d::Zero();
  Distorted here = Distort(direction, distortion);
  double error = (here.position - target).norm();
  for (int i = 0; i < kMaxIterations; ++i) {
    const Eigen::Vector2d step = here.jacobian.inverse() * (target - here.position);
    double part = 1.0;
    for (; part > 1e-6; part *= 0.5) {
      const Eigen::Vector2d trial = direction + part * step;
      const Distorted there = Distort(trial, distortion);
      const double trial_error = (there.position - target).norm();
      // The last steps may not improve any more: rounding.
      if (IsUnfolded(there.jacobian) && (trial_error < error || trial_error < kConverged)) {
        direction = trial;
        here = there;
        error = trial_error;
        break;
      }
    }
    if (part <= 1e-6) break;
    if (part == 1.0 && step.norm() < kConverged) break;
  }
  constexpr double kAccepted = 1e-9;  // of the focal length: a millionth of a pixel
  if (!(error < kAccepted)) {
    return Eigen::Vector2d::Constant(std::numeric_limits<double>::quiet_NaN());
  }
  return direction;
}

Result<Camera> ReadCamera(const std::filesystem::path& file) {
  const Result<json> root = ReadJsonFile(file);
  if (!root) return tl::unexpected<Error>(root.error());
  const std::string where = file.string();
  if (!root->is_object()) {
    return Fail(where + ": is not a camera file; name the file that `calibrate` wrote");
  }
  Camera camera;
  for (const auto& [key, side_px] :
       {std::pair("width", &camera.width_px), std::pair("height", &camera.height_px)}) {
    const auto value = IntegerField(*root, key, kMinSide_px, kMaxSide_px, where);
    if (!value) return tl::unexpected<Error>(value.error());
    *side_px = *value;
  }
  constexpr double kMax = std::numeric_limits<double>::max();
  for (const auto& [key, number] :
       {std::pair("fx", &camera.fx_px), std::pair("fy", &camera.fy_px),
        std::pair("cx", &camera.cx_px), std::pair("cy", &camera.cy_px)}) {
    const auto value = NumberField(*root, key, {-kMax, kMax}, where);
    if (!value) return tl::unexpected<Error>(value.error());
    *number = *value;
  }
  const auto distortion = ReadDistortion(*root, where);
  if (!distortion) return tl::unexpected<Error>(distortion.error());
  camera.distortion = *distortion;
  const auto exif = ReadExif(*root, where);
  if (!exif) return tl::unexpected<Error>(exif.error());
  camera.exif = *exif;
  const auto orientation = ReadOrientation(*root, where);
  if (!orientation) return tl::unexpected<Error>(orientation.error());
  camera.exif_orientation = *orientation;
  const auto uncertainty = ReadUncertainty(*root, where);
  if (!uncertainty) return tl::unexpected<Error>(uncertainty.error());
  camera.standard_uncertainty = *uncertainty;
  const auto valid = Validate(camera, where);
  if (!valid) return tl::unexpected<Error>(valid.error());
  return camera;
}

Result<void> WriteCamera(const Camera& camera, const std::filesystem::path& file) {
  const auto valid = Validate(camera, file.string());
  if (!valid) return tl::unexpected<Error>(valid.error());
  nlohmann::ordered_json root;
  root["width"] = camera.width_px;
  root["height"] = camera.height_px;
  root["fx"] = camera.fx_px;
  root["fy"] = camera.fy_px;
  root["cx"] = camera.cx_px;
  root["cy"] = camera.cy_px;
  root["distortion"] = camera.distortion;
  if (camera.exif) {
    nlohmann::ordered_json exif = nlohmann::ordered_json::object();
    if (!camera.exif->make.empty()) exif["make"] = camera.exif->make;
    if (!camera.exif->model.empty()) exif["model"] = camera.exif->model;
    if (!camera.exif->lens.empty()) exif["lens"] = camera.exif->lens;
    if (camera.exif->focal_length_mm) exif["focal_length_mm"] = *camera.exif->focal_length_mm;
    root["exif"] = exif;
  }
  if (camera.exif_orientation != 1) root["exif_orientation"] = camera.exif_orientation;
  if (camera.standard_uncertainty) {
    for (std::size_t i = 0; i < kUncertaintyKeys.size(); ++i) {
      root["standard_uncertainty"][kUncertaintyKeys[i]] = (*camera.standard_uncertainty)[i];
    }
  }
  return WriteJsonFile(file, root);
}

}  // namespace tinesight
