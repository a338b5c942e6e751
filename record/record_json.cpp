#include "record/record_json.hpp"

#include <array>
#include <cmath>
#include <nlohmann/json.hpp>

namespace tinesight {
namespace {

using Json = nlohmann::json;

// A text of EXIF need not be valid UTF-8.
std::string Dump(const Json& json) {
  return json.dump(-1, ' ', false, Json::error_handler_t::replace);
}

template <typename Matrix>
Json Rows(const Matrix& matrix) {
  Json rows = Json::array();
  for (Eigen::Index r = 0; r < matrix.rows(); ++r) {
    Json row = Json::array();
    for (Eigen::Index c = 0; c < matrix.cols(); ++c) row.push_back(matrix(r, c));
    rows.push_back(row);
  }
  return rows;
}

template <int kRows, int kColumns>
Eigen::Matrix<double, kRows, kColumns> FromRows(const Json& json) {
  const auto rows = json.get<std::array<std::array<double, kColumns>, kRows>>();
  Eigen::Matrix<double, kRows, kColumns> matrix;
  for (int r = 0; r < kRows; ++r) {
    for (int c = 0; c < kColumns; ++c) {
      matrix(r, c) = rows[static_cast<std::size_t>(r)][static_cast<std::size_t>(c)];
    }
  }
  return matrix;
}

// Calls `read` on the parsed text; nlohmann throws on what is no JSON or of another type.
template <typename Read>
auto Parsed(const std::string& text, const char* what, Read read)
    -> Result<decltype(read(Json()))> {
  try {
    return read(Json::parse(text));
  } catch (const Json::exception&) {
    return Fail(std::string(what) + " in it can't be read; go back to a copy");
  }
}

bool AllFinite(const Camera& camera) {
  bool finite = std::isfinite(camera.fx_px) && std::isfinite(camera.fy_px) &&
                std::isfinite(camera.cx_px) && std::isfinite(camera.cy_px);
  for (const double value : camera.distortion) finite = finite && std::isfinite(value);
  if (camera.standard_uncertainty) {
    for (const double value : *camera.standard_uncertainty) finite = finite && std::isfinite(value);
  }
  return finite;
}

}  // namespace

std::optional<std::string> CameraColumn(const Camera& camera) {
  if (!AllFinite(camera)) return std::nullopt;
  Json json{{"width", camera.width_px},
            {"height", camera.height_px},
            {"fx", camera.fx_px},
            {"fy", camera.fy_px},
            {"cx", camera.cx_px},
            {"cy", camera.cy_px},
            {"distortion", camera.distortion},
            {"exif_orientation", camera.exif_orientation}};
  if (camera.exif) {
    json["exif"] = {
        {"make", camera.exif->make}, {"model", camera.exif->model}, {"lens", camera.exif->lens}};
    if (camera.exif->focal_length_mm) {
      json["exif"]["focal_length_mm"] = *camera.exif->focal_length_mm;
    }
  }
  if (camera.standard_uncertainty) json["standard_uncertainty"] = *camera.standard_uncertainty;
  return Dump(json);
}

std::optional<std::string> PoseColumn(const Eigen::Isometry3d& pose) {
  if (!pose.matrix().allFinite()) return std::nullopt;
  return Dump(Rows(pose.matrix().topRows<3>()));
}

std::optional<std::string> CovarianceColumn(const NoteCovariance& covariance) {
  if (!covariance.allFinite()) return std::nullopt;
  return Dump(Rows(covariance));
}

std::string IntegersColumn(const std::vector<int>& integers) { return Dump(integers); }

Result<Camera> CameraFromColumn(const std::string& json) {
  return Parsed(json, "a photo's camera", [](const Json& root) {
    Camera camera;
    camera.width_px = root.at("width").get<int>();
    camera.height_px = root.at("height").get<int>();
    camera.fx_px = root.at("fx").get<double>();
    camera.fy_px = root.at("fy").get<double>();
    camera.cx_px = root.at("cx").get<double>();
    camera.cy_px = root.at("cy").get<double>();
    camera.distortion = root.at("distortion").get<std::array<double, 5>>();
    camera.exif_orientation = root.at("exif_orientation").get<int>();
    if (root.contains("exif")) {
      const Json& exif = root.at("exif");
      camera.exif.emplace();
      camera.exif->make = exif.at("make").get<std::string>();
      camera.exif->model = exif.at("model").get<std::string>();
      camera.exif->lens = exif.at("lens").get<std::string>();
      if (exif.contains("focal_length_mm")) {
        camera.exif->focal_length_mm = exif.at("focal_length_mm").get<double>();
      }
    }
    if (root.contains("standard_uncertainty")) {
      camera.standard_uncertainty = root.at("standard_uncertainty").get<std::array<double, 9>>();
    }
    return camera;
  });
}

Result<Eigen::Isometry3d> PoseFromColumn(const std::string& json) {
  return Parsed(json, "a photo's pose", [](const Json& root) {
    Eigen::Isometry3d pose = Eigen::Isometry3d::Identity();
    pose.matrix().topRows<3>() = FromRows<3, 4>(root);
    return pose;
  });
}

Result<NoteCovariance> CovarianceFromColumn(const std::string& json) {
  return Parsed(json, "a note's covariance", [](const Json& root) { return FromRows<5, 5>(root); });
}

Result<std::vector<int>> IntegersFromColumn(const std::string& json) {
  return Parsed(json, "a photo's list of notes",
                [](const Json& root) { return root.get<std::vector<int>>(); });
}

bool IsJson(const std::string& text) { return Json::accept(text); }

}  // namespace tinesight
