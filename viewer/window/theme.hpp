#pragma once

#include <imgui.h>

#include <cstdint>
#include <string>
#include <string_view>

#include "alignment/verdict.hpp"
#include "calibration/error.hpp"

namespace tinesight {

/// The text sizes of the window, all of one family of the system with Latin, Greek, ♯ and ♭.
struct Fonts {
  ImFont* text = nullptr;
  ImFont* bold = nullptr;
  ImFont* small = nullptr;
  ImFont* title = nullptr;  ///< of a panel's note
  ImFont* huge = nullptr;   ///< readable at 2 m; digits, names, units
};

/// Colors by what they are for.
struct Palette {
  bool dark = true;
  ImU32 backdrop = 0;  ///< behind the panels
  ImU32 panel = 0;
  ImU32 raised = 0;  ///< buttons, fields
  ImU32 line = 0;    ///< rules and frames
  ImU32 text = 0;
  ImU32 muted = 0;   ///< labels, units
  ImU32 accent = 0;  ///< selection
  ImU32 accent_soft = 0;
  ImU32 stage = 0;  ///< behind photo and harp
  ImU32 key_white = 0;
  ImU32 key_black = 0;
  ImU32 band = 0;  ///< tolerance
};

/// What every panel draws with.
struct Theme {
  Palette palette;
  Fonts fonts;
  float scale = 1.0F;  ///< px per point of the layout: content scale times text scale

  [[nodiscard]] float Px(double points) const { return static_cast<float>(points) * scale; }
  [[nodiscard]] ImU32 VerdictColor(Verdict verdict) const;
};

/// Reads the system's fonts at the scale into ImGui's atlas and sets ImGui's style. Fails where no
/// font of the system has the signs that are needed.
[[nodiscard]] Result<Theme> MakeTheme(bool dark, double scale);

/// 0xRRGGBB with an opacity.
[[nodiscard]] ImU32 Ink(std::uint32_t rgb, double opacity = 1.0);
[[nodiscard]] ImU32 WithOpacity(ImU32 color, double opacity);

/// A note's name with the sharp sign: "F♯1".
[[nodiscard]] std::string DisplayName(std::string_view note_name);
[[nodiscard]] std::string DisplayName(int midi);

/// The verdict's mark, centered.
void DrawMark(ImDrawList& draw, Verdict verdict, ImVec2 center, float radius, ImU32 color);

}  // namespace tinesight
