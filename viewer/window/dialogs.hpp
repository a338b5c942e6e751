#pragma once

#include <filesystem>
#include <optional>
#include <string>

#include "viewer/desktop_dialog.hpp"
#include "viewer/session.hpp"
#include "viewer/view_state.hpp"
#include "viewer/window/theme.hpp"

namespace tinesight {

/// What stands over the window: the list of commands, help, cautions, the open dialog, and the
/// forms for findings and work. Escape or a click outside closes each.
class Dialogs {
 public:
  /// Draws what `state.dialog` says. `session` may be nullptr. Gives the file to open when one was
  /// chosen.
  std::optional<std::filesystem::path> Draw(const Theme& theme, Session* session, ViewState& state);

 private:
  void DrawCommandList(const Theme& theme, Session* session, ViewState& state);
  std::optional<std::filesystem::path> DrawOpen(const Theme& theme, ViewState& state);
  void DrawFinding(const Theme& theme, Session& session, ViewState& state);
  void DrawWork(const Theme& theme, Session& session, ViewState& state);

  Dialog drawn_ = Dialog::kNone;
  bool fresh_ = false;  // the dialog was opened with this frame
  DesktopDialog desktop_;
  /// Why the entry was not taken, in the dialog itself.
  void DrawProblem(const Theme& theme) const;
  /// Closes the dialog with `done` in the status line, or keeps it open with the reason.
  void Entered(const Result<void>& kept, const std::string& done, ViewState& state);
  std::string text_;
  std::string problem_;
  int chosen_ = 0;
  Finding finding_;
};

/// What to do first, where nothing is open; gives a file to open when its button was pressed.
[[nodiscard]] std::optional<std::filesystem::path> DrawStartPage(
    const Theme& theme, ViewState& state, const std::filesystem::path& last_file,
    const std::string& problem);

}  // namespace tinesight
