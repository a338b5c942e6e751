#include "record/result_json.hpp"

#include <array>
#include <cmath>
#include <nlohmann/json.hpp>
#include <optional>
#include <string_view>
#include <utility>

#include "alignment/note_name.hpp"
#include "alignment/verdict.hpp"
#include "calibration/file_io.hpp"
#include "record/record_words.hpp"
#include "record/text_util.hpp"

namespace tinesight {
namespace {

using OrderedJson = nlohmann::ordered_json;

// Digits below 0.1 µm (or 0.36 arc seconds) are noise, and make two runs look different.
double Rounded(double value) { return std::round(value * 1e4) / 1e4; }

bool IsStated(const std::optional<Measured>& measured) {
  return measured && std::isfinite(measured->value) && std::isfinite(measured->expanded_u);
}

// The figures in the order of both files: key, unit and where they stand.
struct Figure {
  std::string_view name;
  std::string_view unit;
  std::optional<Measured> NoteMeasurement::*member;
};
constexpr std::array<Figure, 7> kFigures{{
    {"lateral", "mm", &NoteMeasurement::lateral_mm},
    {"height", "mm", &NoteMeasurement::height_mm},
    {"gap", "mm", &NoteMeasurement::gap_mm},
    {"yaw", "deg", &NoteMeasurement::yaw_deg},
    {"pitch", "deg", &NoteMeasurement::pitch_deg},
    {"tone_bar_yaw", "deg", &NoteMeasurement::tone_bar_yaw_deg},
    {"damper_lift", "mm", &NoteMeasurement::damper_lift_mm},
}};

struct Place {
  std::string_view name;
  Eigen::Vector3d NoteMeasurement::*member;
};
constexpr std::array<Place, 3> kPlaces{{
    {"root", &NoteMeasurement::root_harp_mm},
    {"tip", &NoteMeasurement::tip_harp_mm},
    {"pickup", &NoteMeasurement::pickup_harp_mm},
}};

std::string Key(std::string_view name, std::string_view suffix) {
  return std::string(name) + std::string(suffix);
}

OrderedJson VectorJson(const Eigen::Vector3d& v) {
  return OrderedJson::array({Rounded(v.x()), Rounded(v.y()), Rounded(v.z())});
}

OrderedJson CameraJson(const Camera& camera) {
  return {{"width", camera.width_px},
          {"height", camera.height_px},
          {"fx", camera.fx_px},
          {"fy", camera.fy_px},
          {"cx", camera.cx_px},
          {"cy", camera.cy_px},
          {"distortion", camera.distortion}};
}

OrderedJson PoseJson(const Eigen::Isometry3d& pose) {
  OrderedJson rows = OrderedJson::array();
  for (int r = 0; r < 3; ++r) {
    rows.push_back({pose(r, 0), pose(r, 1), pose(r, 2), pose(r, 3)});
  }
  return rows;
}

OrderedJson PhotoJson(const PhotoMeasurement& photo) {
  OrderedJson json;
  json["file"] = photo.file;
  json["used"] = photo.used;
  json["tags"] = photo.tags;
  if (photo.used && std::isfinite(photo.rms_px)) json["rms_px"] = Rounded(photo.rms_px);
  json["damper"] = DamperWord(photo.damper);
  json["notes"] = photo.notes;
  json["warnings"] = photo.warnings;
  if (photo.used) {
    json["camera"] = CameraJson(photo.camera);
    json["camera_from_harp"] = PoseJson(photo.camera_from_harp);
  }
  return json;
}

OrderedJson NoteJson(const NoteMeasurement& note) {
  OrderedJson json;
  json["midi"] = note.midi;
  json["name"] = note.name;
  json["photos"] = note.photos;
  for (const Figure& figure : kFigures) {
    const std::optional<Measured>& measured = note.*figure.member;
    if (!IsStated(measured)) continue;
    json[Key(figure.name, Key("_", figure.unit))] = Rounded(measured->value);
    json[Key(figure.name, Key("_u_", figure.unit))] = Rounded(measured->expanded_u);
  }
  if (note.correction_deg && std::isfinite(*note.correction_deg)) {
    json["correction_deg"] = Rounded(*note.correction_deg);
  }
  json["verdict"] = {{"lateral", VerdictWord(note.lateral_verdict, Quantity::kLateral)},
                     {"height", VerdictWord(note.height_verdict, Quantity::kHeight)},
                     {"gap", VerdictWord(note.gap_verdict, Quantity::kGap)}};
  json["reason"] = note.reason;
  json["advice"] = note.advice;
  json["suspicions"] = OrderedJson::array();
  for (const Suspicion& suspicion : note.suspicions) {
    json["suspicions"].push_back(
        {{"kind", WordOf(kSuspicionWords, suspicion.kind)}, {"text", suspicion.text}});
  }
  if (note.covariance && note.covariance->allFinite()) {
    json["covariance"] = OrderedJson::array();
    for (int r = 0; r < 5; ++r) {
      std::vector<double> row(note.covariance->row(r).begin(), note.covariance->row(r).end());
      // Far below what the figures are known to.
      for (double& value : row) value = std::round(value * 1e6) / 1e6 + 0.0;
      json["covariance"].push_back(row);
    }
  }
  if (IsStated(note.lateral_mm)) {
    for (const Place& place : kPlaces) {
      json[Key(place.name, "_harp_mm")] = VectorJson(note.*place.member);
    }
    json["tine_diameter_mm"] = Rounded(note.tine_diameter_mm);
    json["pole_tip_diameter_mm"] = Rounded(note.pole_tip_diameter_mm);
  }
  return json;
}

std::string CsvField(const std::string& text) {
  if (text.find_first_of(",\"\r\n") == std::string::npos) return text;
  std::string quoted = "\"";
  for (const char c : text) {
    if (c == '"') quoted += '"';
    quoted += c;
  }
  return quoted + '"';
}

// Reading. nlohmann throws on a missing key or a wrong type; the message names it.

NoteMeasurement NoteFromJson(const nlohmann::json& json) {
  NoteMeasurement note;
  note.midi = json.at("midi").get<int>();
  note.name = json.value("name", NoteName(note.midi));
  note.photos = json.value("photos", 0);
  for (const Figure& figure : kFigures) {
    const std::string key = Key(figure.name, Key("_", figure.unit));
    if (!json.contains(key)) continue;
    note.*figure.member =
        Measured{json.at(key).get<double>(),
                 json.at(Key(figure.name, Key("_u_", figure.unit))).get<double>()};
  }
  if (json.contains("covariance")) {
    const auto rows = json.at("covariance").get<std::array<std::array<double, 5>, 5>>();
    note.covariance.emplace();
    for (int r = 0; r < 5; ++r) {
      note.covariance->row(r) =
          Eigen::Map<const Eigen::RowVectorXd>(rows[static_cast<std::size_t>(r)].data(), 5);
    }
  }
  if (json.contains("correction_deg")) note.correction_deg = json["correction_deg"].get<double>();
  const nlohmann::json& verdict = json.at("verdict");
  note.lateral_verdict = VerdictFromWord(verdict.at("lateral").get<std::string>());
  note.height_verdict = VerdictFromWord(verdict.at("height").get<std::string>());
  note.gap_verdict = VerdictFromWord(verdict.at("gap").get<std::string>());
  note.reason = json.value("reason", "");
  note.advice = json.value("advice", "");
  for (const nlohmann::json& suspicion : json.value("suspicions", nlohmann::json::array())) {
    note.suspicions.push_back(
        {StateOf(kSuspicionWords, suspicion.at("kind").get_ref<const std::string&>()),
         suspicion.at("text").get<std::string>()});
  }
  if (note.lateral_mm) {
    for (const Place& place : kPlaces) {
      const auto xyz = json.at(Key(place.name, "_harp_mm")).get<std::array<double, 3>>();
      note.*place.member = Eigen::Vector3d(xyz[0], xyz[1], xyz[2]);
    }
    note.tine_diameter_mm = json.at("tine_diameter_mm").get<double>();
    note.pole_tip_diameter_mm = json.at("pole_tip_diameter_mm").get<double>();
  }
  return note;
}

PhotoMeasurement PhotoFromJson(const nlohmann::json& json) {
  PhotoMeasurement photo;
  photo.file = json.at("file").get<std::string>();
  photo.used = json.value("used", true);
  photo.tags = json.value("tags", 0);
  photo.rms_px = json.value("rms_px", 0.0);
  photo.damper = DamperFromWord(json.value("damper", ""));
  photo.notes = json.value("notes", std::vector<int>{});
  photo.warnings = json.value("warnings", std::vector<std::string>{});
  if (!photo.used || !json.contains("camera")) return photo;
  const nlohmann::json& camera = json.at("camera");
  photo.camera.width_px = camera.at("width").get<int>();
  photo.camera.height_px = camera.at("height").get<int>();
  photo.camera.fx_px = camera.at("fx").get<double>();
  photo.camera.fy_px = camera.at("fy").get<double>();
  photo.camera.cx_px = camera.at("cx").get<double>();
  photo.camera.cy_px = camera.at("cy").get<double>();
  photo.camera.distortion = camera.at("distortion").get<std::array<double, 5>>();
  const auto rows = json.at("camera_from_harp").get<std::array<std::array<double, 4>, 3>>();
  for (int r = 0; r < 3; ++r) {
    for (int c = 0; c < 4; ++c) {
      photo.camera_from_harp(r, c) = rows[static_cast<std::size_t>(r)][static_cast<std::size_t>(c)];
    }
  }
  return photo;
}

}  // namespace

std::string CsvLine(const std::vector<std::string>& fields) {
  std::string line;
  for (const std::string& field : fields) {
    if (&field != &fields.front()) line += ',';
    line += CsvField(field);
  }
  return line + "\r\n";
}

std::vector<std::string> ResultCsvHeader() {
  std::vector<std::string> header{"name", "midi", "photos"};
  for (const Figure& figure : kFigures) {
    header.push_back(Key(figure.name, Key("_", figure.unit)));
    header.push_back(Key(figure.name, Key("_u_", figure.unit)));
  }
  header.insert(header.end(),
                {"correction_deg", "lateral_verdict", "height_verdict", "gap_verdict"});
  for (const Place& place : kPlaces) {
    for (const char* axis : {"_x_mm", "_y_mm", "_z_mm"}) header.push_back(Key(place.name, axis));
  }
  header.insert(header.end(), {"reason", "advice", "suspicions"});
  return header;
}

std::vector<std::string> ResultCsvRow(const NoteMeasurement& note) {
  std::vector<std::string> row{note.name, std::to_string(note.midi), std::to_string(note.photos)};
  for (const Figure& figure : kFigures) {
    const std::optional<Measured>& measured = note.*figure.member;
    row.push_back(IsStated(measured) ? FixedDecimals(measured->value, 4) : "");
    row.push_back(IsStated(measured) ? FixedDecimals(measured->expanded_u, 4) : "");
  }
  const bool corrected = note.correction_deg && std::isfinite(*note.correction_deg);
  row.push_back(corrected ? FixedDecimals(*note.correction_deg, 4) : "");
  row.push_back(VerdictWord(note.lateral_verdict, Quantity::kLateral));
  row.push_back(VerdictWord(note.height_verdict, Quantity::kHeight));
  row.push_back(VerdictWord(note.gap_verdict, Quantity::kGap));
  for (const Place& place : kPlaces) {
    for (int axis = 0; axis < 3; ++axis) {
      row.push_back(IsStated(note.lateral_mm) ? FixedDecimals((note.*place.member)[axis], 4) : "");
    }
  }
  row.push_back(note.reason);
  row.push_back(note.advice);
  std::string suspicions;
  for (const Suspicion& suspicion : note.suspicions) AppendText(suspicions, suspicion.text);
  row.push_back(suspicions);
  return row;
}

std::string DamperWord(DamperState damper) {
  switch (damper) {
    case DamperState::kHarpRaised:
      return "harp-raised";
    case DamperState::kKeyHeld:
      return "key-held";
    case DamperState::kResting:
      return "resting";
    case DamperState::kUnknown:
      break;
  }
  return "unknown";
}

DamperState DamperFromWord(std::string_view word) {
  for (const DamperState state :
       {DamperState::kHarpRaised, DamperState::kKeyHeld, DamperState::kResting}) {
    if (word == DamperWord(state)) return state;
  }
  return DamperState::kUnknown;
}

std::string ResultJson(const VisitMeasurement& visit) {
  OrderedJson json;
  json["coverage_factor"] = 2;
  json["photos"] = OrderedJson::array();
  for (const PhotoMeasurement& photo : visit.photos) json["photos"].push_back(PhotoJson(photo));
  json["notes"] = OrderedJson::array();
  for (const NoteMeasurement& note : visit.notes) json["notes"].push_back(NoteJson(note));
  // A file name need not be valid UTF-8; the file we write must be.
  return json.dump(2, ' ', false, OrderedJson::error_handler_t::replace) + '\n';
}

std::string ResultCsv(const VisitMeasurement& visit) {
  std::string csv = CsvLine(ResultCsvHeader());
  for (const NoteMeasurement& note : visit.notes) csv += CsvLine(ResultCsvRow(note));
  return csv;
}

Result<VisitMeasurement> ReadResultJson(const std::filesystem::path& file) {
  const Result<nlohmann::json> json = ReadJsonFile(file);
  if (!json) return tl::unexpected(json.error());
  try {
    VisitMeasurement visit;
    for (const nlohmann::json& photo : json->at("photos")) {
      visit.photos.push_back(PhotoFromJson(photo));
    }
    for (const nlohmann::json& note : json->at("notes")) visit.notes.push_back(NoteFromJson(note));
    return visit;
  } catch (const nlohmann::json::exception& error) {
    return Fail(file.string() + ": is no result of `tinesight measure --json`: " + error.what());
  }
}

}  // namespace tinesight
