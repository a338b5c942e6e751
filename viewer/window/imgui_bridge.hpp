#pragma once

#include "viewer/window/desktop_window.hpp"

namespace tinesight {

/// ImGui's context and its OpenGL drawing, for one window; alive while it is.
class ImGuiBridge {
 public:
  [[nodiscard]] static Result<std::unique_ptr<ImGuiBridge>> Make(DesktopWindow& window);
  ~ImGuiBridge();
  ImGuiBridge(const ImGuiBridge&) = delete;
  ImGuiBridge& operator=(const ImGuiBridge&) = delete;

  /// Fonts were made anew: sends them to the card.
  void FontsChanged();
  /// Begins a frame with what hands did since the last.
  void NewFrame(const FrameInput& input, double seconds);
  /// Ends it and draws it into the window's framebuffer, over `background`.
  void Render(unsigned background);

 private:
  explicit ImGuiBridge(DesktopWindow& window) : window_(window) {}
  DesktopWindow& window_;
};

}  // namespace tinesight
