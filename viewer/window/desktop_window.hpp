#pragma once

#include <Eigen/Core>
#include <memory>
#include <string>
#include <vector>

#include "calibration/error.hpp"
#include "viewer/input_queue.hpp"

struct GLFWwindow;

namespace tinesight {

/// One window with an OpenGL 3.3 context, which is current from construction on. Only one at a
/// time. Sizes and positions are px of the framebuffer.
class DesktopWindow {
 public:
  struct Options {
    std::string title = "Tinesight";
    int width_px = 1440;
    int height_px = 900;
    bool visible = true;
  };
  /// Fails with one line where there is no display or no OpenGL 3.3.
  [[nodiscard]] static Result<std::unique_ptr<DesktopWindow>> Open(const Options& options);
  ~DesktopWindow();
  DesktopWindow(const DesktopWindow&) = delete;
  DesktopWindow& operator=(const DesktopWindow&) = delete;

  /// Collects what happened; waits for something up to `seconds` if nothing has.
  void WaitForEvents(double seconds);
  [[nodiscard]] InputQueue& Input() { return input_; }
  [[nodiscard]] Eigen::Vector2i SizePx() const;
  [[nodiscard]] double ContentScale() const;
  [[nodiscard]] bool CloseWanted() const;
  [[nodiscard]] bool Minimized() const;
  /// Something outside asks for a new picture (uncovered, resized, moved to another screen).
  [[nodiscard]] bool TakeDirty();
  /// Files dropped on the window since the last call.
  [[nodiscard]] std::vector<std::string> TakeDropped();
  void SetTitle(const std::string& title);
  void SwapBuffers();
  [[nodiscard]] std::string Clipboard() const;
  void SetClipboard(const std::string& text);
  /// Seconds since start.
  [[nodiscard]] double Now() const;

 private:
  explicit DesktopWindow(GLFWwindow* window);
  void InstallCallbacks();

  GLFWwindow* window_;
  InputQueue input_;
  std::vector<std::string> dropped_;
  bool dirty_ = true;
};

}  // namespace tinesight
