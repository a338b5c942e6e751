#pragma once

#include <array>
#include <filesystem>
#include <string>

#include "viewer/desktop_dialog.hpp"
#include "viewer/measure_setup.hpp"
#include "viewer/view_state.hpp"
#include "viewer/window/theme.hpp"

namespace tinesight {

/// Asks for what new photos are measured with, and for the folder that they come into.
class FollowDialog {
 public:
  /// Fills the fields. `asks_folder` false: photos were dropped, only the files are needed.
  void Fill(const MeasureFiles& files, const std::filesystem::path& folder, bool has_instrument,
            bool asks_folder);
  /// Draws it while `state.dialog` says so; true: "Start" was pressed.
  bool Draw(const Theme& theme, ViewState& state);
  [[nodiscard]] MeasureFiles Files() const;
  [[nodiscard]] std::filesystem::path Folder() const;
  void SetProblem(std::string problem) { problem_ = std::move(problem); }

 private:
  enum Field : std::size_t { kCamera, kRig, kInstrument, kFolder, kFields };
  bool DrawField(const Theme& theme, Field field, const char* label, bool fresh);

  MeasureFiles base_;
  std::array<std::string, kFields> texts_;
  bool has_instrument_ = false;
  bool asks_folder_ = true;
  bool drawn_ = false;
  std::string problem_;
  DesktopDialog desktop_;
  Field choosing_ = kCamera;
};

}  // namespace tinesight
