#pragma once

#include <filesystem>
#include <string>

#include "calibration/error.hpp"

namespace tinesight {

/// What the window remembers from one run to the next.
struct ViewerSettings {
  std::filesystem::path last_file;
  std::filesystem::path camera;  ///< that photos were last measured with
  std::filesystem::path rig;
  std::filesystem::path instrument;  ///< empty: the visit's own
  std::filesystem::path watched;     ///< folder that was last watched
  int width_px = 1440;
  int height_px = 900;
  double list_width = 230.0;  ///< of the list of flagged notes, at text scale 1
  double note_width = 340.0;  ///< of the note panel
  double chart_height = 170.0;
  double text_scale = 1.0;  ///< 0.6 to 3, on top of the screen's own content scale
  bool dark = true;
};

/// $XDG_STATE_HOME/tinesight/viewer.json, or ~/.local/state/… (XDG Base Directory Specification
/// 0.8: state that persists between runs but is not worth keeping as a user's data). Empty where
/// neither variable is set to an absolute path, and then nothing is remembered.
[[nodiscard]] std::filesystem::path SettingsFile();

/// Missing, damaged or absurd values are the defaults: a bad file must not keep the window shut.
[[nodiscard]] ViewerSettings ReadSettings(const std::filesystem::path& file);
/// Makes the folder where it is missing.
[[nodiscard]] Result<void> WriteSettings(const ViewerSettings& settings,
                                         const std::filesystem::path& file);

}  // namespace tinesight
