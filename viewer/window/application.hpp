#pragma once

#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <utility>

#include "alignment/profile.hpp"
#include "calibration/error.hpp"
#include "viewer/follower.hpp"
#include "viewer/session.hpp"
#include "viewer/view_state.hpp"
#include "viewer/viewer_settings.hpp"
#include "viewer/window/desktop_window.hpp"
#include "viewer/window/dialogs.hpp"
#include "viewer/window/follow_dialog.hpp"
#include "viewer/window/harp_renderer.hpp"
#include "viewer/window/imgui_bridge.hpp"
#include "viewer/window/panels.hpp"
#include "viewer/window/photo_shelf.hpp"
#include "viewer/window/theme.hpp"

namespace tinesight {

/// What `tinesight view` was told.
struct ViewRequest {
  std::filesystem::path file;        ///< empty: start page, or the last file
  std::filesystem::path photos;      ///< where to look for the photos first; empty: as recorded
  std::filesystem::path instrument;  ///< profile that judges a result (.json); empty: none
  MeasureFiles measure;              ///< for new photos
  std::filesystem::path watch;       ///< folder to follow; empty: none
  std::vector<std::filesystem::path> new_photos;  ///< to be measured together, at once
  std::string visit;                              ///< name of the visit to show; empty: the newest
  std::string note;                               ///< "F#1"; empty: the worst
  std::string photo;  ///< file name of the photo to show; empty: the nearest
  Stage scene = Stage::kPhoto;
  std::optional<double> magnification;
  std::filesystem::path screenshot;  ///< not empty: write the picture and end
  bool whole_window = false;         ///< the picture shows the window with its panels
  bool whole_photo = false;          ///< the photo as a whole instead of the note
  bool down_the_tine = false;
  bool from_camera = false;  ///< the harp as the photo's camera saw it
  bool large_type = false;   ///< the figures readable at 2 m, in place of the scene
  bool light = false;
  bool hidden = false;  ///< no window on the screen, as for a picture
  int width_px = 0;     ///< 0: as remembered
  int height_px = 0;
};

/// The window and all that is in it.
class Application {
 public:
  [[nodiscard]] static Result<std::unique_ptr<Application>> Make(const ViewRequest& request);
  ~Application();
  Application(const Application&) = delete;
  Application& operator=(const Application&) = delete;

  /// Until the window is closed.
  [[nodiscard]] Result<void> Run();
  /// One picture, written as PNG.
  [[nodiscard]] Result<void> WriteScreenshot(const std::filesystem::path& file);
  /// Draws so many frames with the view changing in each, for the benchmark: seconds of each.
  [[nodiscard]] std::vector<double> TimeFrames(int count);
  /// Goes on drawing until every photo was loaded once, then shows the selected note's photos one
  /// after the other, for the benchmark.
  void LoadEverything();

 private:
  Application() = default;
  [[nodiscard]] Result<void> Open(const std::filesystem::path& file);
  [[nodiscard]] Result<void> SelectAsRequested();
  [[nodiscard]] Result<void> RemakeTheme();
  void Frame(const FrameInput& input, double seconds, bool scene_only = false);
  void RunCommands(const FrameInput& input);
  void Reload();
  void DrawWindow();
  void DrawTopBar(const Area& area);
  void DrawStage(const Area& area);
  void DrawStatus(const Area& area);
  void DrawSplitters(const Area& stage);
  void AttachPicture();
  [[nodiscard]] FrameInput NextInput();
  /// A visit that another program added (`measure --record`) is shown as soon as it is there.
  bool FollowRecord();
  [[nodiscard]] std::vector<std::uint8_t> ReadPixels(const Eigen::Vector2i& corner_px,
                                                     const Eigen::Vector2i& size_px) const;
  void Remember();
  void Say(const std::string& message, bool failure);
  // application_follow.cpp
  [[nodiscard]] Result<void> BeginAsRequested();
  [[nodiscard]] Result<void> PrepareToMeasure();
  [[nodiscard]] std::pair<std::filesystem::path, std::int64_t> ShownVisit() const;
  [[nodiscard]] Result<void> StartWatching(const std::filesystem::path& folder);
  [[nodiscard]] MeasureTarget Target() const;
  void ToggleFollow();
  void AskForFiles(bool with_folder);
  void DrawFollowDialog();
  bool TakeDropped();
  bool Follow();
  [[nodiscard]] Result<void> ShowNewer(const FollowNews& news);
  void ShowUnkept(FollowNews& news);
  void ShowSessionAnew();

  ViewRequest request_;
  ViewerSettings settings_;
  std::optional<InstrumentProfile> profile_;
  // In this order: what draws goes before the window does.
  std::unique_ptr<DesktopWindow> window_;
  std::unique_ptr<ImGuiBridge> imgui_;
  std::unique_ptr<HarpRenderer> renderer_;
  std::unique_ptr<PhotoShelf> shelf_;
  Theme theme_;
  double theme_scale_ = 0.0;
  bool theme_dark_ = true;
  std::optional<Session> session_;
  ViewState state_;
  Dialogs dialogs_;
  FollowDialog follow_dialog_;
  MeasureFiles files_;
  std::vector<std::filesystem::path> pending_photos_;  // dropped, waiting for the dialog
  Follower follower_;
  std::pair<std::filesystem::path, std::int64_t> prepared_for_;  // the visit of its setup
  std::string open_problem_;
  Area stage_area_{};
  std::size_t shown_visit_ = 0;
  bool attach_next_ = false;
  bool timing_ = false;
  int held_frames_ = 0;
  double next_look_ = 0.0;
  std::filesystem::file_time_type record_time_{};
};

}  // namespace tinesight
