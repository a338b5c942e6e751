#pragma once

#include <sys/types.h>

#include <filesystem>
#include <optional>
#include <string>

namespace tinesight {

/// The desktop's own dialog to choose a file or folder: zenity or kdialog, whichever is found, as a
/// process of its own, so that the window goes on meanwhile. Where neither is there, the window's
/// plain path field serves.
class DesktopDialog {
 public:
  enum class Kind { kFile, kFolder };
  DesktopDialog() = default;
  ~DesktopDialog() { Cancel(); }
  DesktopDialog(const DesktopDialog&) = delete;
  DesktopDialog& operator=(const DesktopDialog&) = delete;

  /// Whether this desktop has one (looked up in PATH).
  [[nodiscard]] static bool Available();
  /// Opens it; false: there is none, or it can't be started. One that is open already stays.
  bool Open(Kind kind, const std::string& title);
  [[nodiscard]] bool IsOpen() const { return process_ > 0; }
  /// What was chosen, once; nothing: still open, or closed without a choice. Never waits.
  [[nodiscard]] std::optional<std::filesystem::path> Poll();
  void Cancel();

 private:
  pid_t process_ = 0;
  int output_ = -1;
  std::string text_;
};

}  // namespace tinesight
