#include "viewer/viewer_settings.hpp"

#include <algorithm>
#include <cstdlib>
#include <nlohmann/json.hpp>
#include <system_error>

#include "calibration/file_io.hpp"

namespace tinesight {
namespace {

namespace fs = std::filesystem;

template <typename T>
void Take(const nlohmann::json& json, const char* key, T& value, T least, T most) {
  const auto found = json.find(key);
  if (found == json.end() || !found->is_number()) return;
  value = std::clamp(found->get<T>(), least, most);
}

}  // namespace

fs::path SettingsFile() {
  const char* state = std::getenv("XDG_STATE_HOME");
  if (state != nullptr && fs::path(state).is_absolute()) {
    return fs::path(state) / "tinesight" / "viewer.json";
  }
  const char* home = std::getenv("HOME");
  if (home == nullptr || !fs::path(home).is_absolute()) return {};
  return fs::path(home) / ".local" / "state" / "tinesight" / "viewer.json";
}

ViewerSettings ReadSettings(const fs::path& file) {
  ViewerSettings settings;
  if (file.empty()) return settings;
  const auto json = ReadJsonFile(file);
  if (!json || !json->is_object()) return settings;
  const auto take_path = [&](const char* key, fs::path& path) {
    const auto found = json->find(key);
    if (found != json->end() && found->is_string()) path = found->get<std::string>();
  };
  take_path("last_file", settings.last_file);
  take_path("camera", settings.camera);
  take_path("rig", settings.rig);
  take_path("instrument", settings.instrument);
  take_path("watched", settings.watched);
  Take(*json, "width_px", settings.width_px, 640, 16384);
  Take(*json, "height_px", settings.height_px, 400, 16384);
  Take(*json, "list_width", settings.list_width, 120.0, 600.0);
  Take(*json, "note_width", settings.note_width, 220.0, 800.0);
  Take(*json, "chart_height", settings.chart_height, 100.0, 500.0);
  Take(*json, "text_scale", settings.text_scale, 0.6, 3.0);
  if (json->contains("dark") && (*json)["dark"].is_boolean()) {
    settings.dark = (*json)["dark"].get<bool>();
  }
  return settings;
}

Result<void> WriteSettings(const ViewerSettings& settings, const fs::path& file) {
  if (file.empty()) return {};
  std::error_code code;
  fs::create_directories(file.parent_path(), code);
  const nlohmann::ordered_json json = {{"last_file", settings.last_file.string()},
                                       {"camera", settings.camera.string()},
                                       {"rig", settings.rig.string()},
                                       {"instrument", settings.instrument.string()},
                                       {"watched", settings.watched.string()},
                                       {"width_px", settings.width_px},
                                       {"height_px", settings.height_px},
                                       {"list_width", settings.list_width},
                                       {"note_width", settings.note_width},
                                       {"chart_height", settings.chart_height},
                                       {"text_scale", settings.text_scale},
                                       {"dark", settings.dark}};
  return WriteJsonFile(file, json);
}

}  // namespace tinesight
