#include "viewer/window/theme.hpp"

#include <fontconfig/fontconfig.h>

#include <array>
#include <cmath>
#include <memory>
#include <vector>

#include "alignment/note_name.hpp"
#include "viewer/verdict_look.hpp"

namespace tinesight {
namespace {

struct ReleasePattern {
  void operator()(FcPattern* pattern) const { FcPatternDestroy(pattern); }
  void operator()(FcCharSet* set) const { FcCharSetDestroy(set); }
};

// File of the system's font that has the sharp and flat signs; DejaVu where it is there.
std::string FontFile(bool bold) {
  const std::unique_ptr<FcPattern, ReleasePattern> wanted(FcPatternCreate());
  const std::unique_ptr<FcCharSet, ReleasePattern> signs(FcCharSetCreate());
  for (const FcChar32 sign : {0x266DU, 0x266FU, 0x3B1U, 0xB1U, 0x2212U}) {
    FcCharSetAddChar(signs.get(), sign);
  }
  FcPatternAddString(wanted.get(), FC_FAMILY, reinterpret_cast<const FcChar8*>("DejaVu Sans"));
  FcPatternAddString(wanted.get(), FC_FAMILY, reinterpret_cast<const FcChar8*>("sans-serif"));
  FcPatternAddInteger(wanted.get(), FC_WEIGHT, bold ? FC_WEIGHT_BOLD : FC_WEIGHT_REGULAR);
  FcPatternAddCharSet(wanted.get(), FC_CHARSET, signs.get());
  FcPatternAddBool(wanted.get(), FC_SCALABLE, FcTrue);
  FcConfigSubstitute(nullptr, wanted.get(), FcMatchPattern);
  FcDefaultSubstitute(wanted.get());
  FcResult result = FcResultNoMatch;
  const std::unique_ptr<FcPattern, ReleasePattern> found(
      FcFontMatch(nullptr, wanted.get(), &result));
  FcChar8* file = nullptr;
  FcCharSet* has = nullptr;
  if (!found || FcPatternGetString(found.get(), FC_FILE, 0, &file) != FcResultMatch ||
      FcPatternGetCharSet(found.get(), FC_CHARSET, 0, &has) != FcResultMatch ||
      FcCharSetHasChar(has, 0x266FU) == FcFalse) {
    return {};
  }
  return reinterpret_cast<const char*>(file);
}

// ImGui keeps the pointers until the atlas is built and later.
constexpr std::array<ImWchar, 19> kTextRanges = {0x0020, 0x024F,  // Latin with its supplements
                                                 0x0370, 0x03FF,  // Greek
                                                 0x2010, 0x2027,  // dashes, quotes, ellipsis
                                                 0x2070, 0x209F,  // super- and subscripts
                                                 0x2190, 0x2193,  // arrows
                                                 0x2200, 0x22FF,  // minus, less or equal …
                                                 0x25A0, 0x25FF,  // geometric shapes
                                                 0x266D, 0x266F,  // flat, natural, sharp
                                                 0x2713, 0x2717,  // check mark, cross
                                                 0};
constexpr std::array<ImWchar, 7> kHugeRanges = {0x0020, 0x007E, 0x00B0, 0x00B1, 0x266D, 0x266F, 0};

Palette DarkPalette() {
  Palette p;
  p.dark = true;
  p.backdrop = Ink(0x16191C);
  p.panel = Ink(0x1F2428);
  p.raised = Ink(0x2C3339);
  p.line = Ink(0x3A434A);
  p.text = Ink(0xE8EAEB);
  p.muted = Ink(0x9AA5AD);
  p.accent = Ink(0x7FD1B9);
  p.accent_soft = Ink(0x7FD1B9, 0.20);
  p.stage = Ink(0x101214);
  p.key_white = Ink(0xD9DCDD);
  p.key_black = Ink(0x2A2E31);
  p.band = Ink(0x7FD1B9, 0.13);
  return p;
}

Palette LightPalette() {
  Palette p;
  p.dark = false;
  p.backdrop = Ink(0xE4E6E3);
  p.panel = Ink(0xFAFAF7);
  p.raised = Ink(0xEBEDE9);
  p.line = Ink(0xC9CDC8);
  p.text = Ink(0x1C2226);
  p.muted = Ink(0x5A646B);
  p.accent = Ink(0x11705A);
  p.accent_soft = Ink(0x11705A, 0.16);
  p.stage = Ink(0xD6D9D5);
  p.key_white = Ink(0xFFFFFF);
  p.key_black = Ink(0x3A4045);
  p.band = Ink(0x11705A, 0.12);
  return p;
}

void ApplyStyle(const Palette& palette, float scale) {
  ImGuiStyle style;
  if (palette.dark) {
    ImGui::StyleColorsDark(&style);
  } else {
    ImGui::StyleColorsLight(&style);
  }
  const auto set = [&](ImGuiCol which, ImU32 color) {
    style.Colors[which] = ImGui::ColorConvertU32ToFloat4(color);
  };
  set(ImGuiCol_WindowBg, palette.panel);
  set(ImGuiCol_ChildBg, 0);
  set(ImGuiCol_PopupBg, palette.panel);
  set(ImGuiCol_Border, palette.line);
  set(ImGuiCol_Text, palette.text);
  set(ImGuiCol_TextDisabled, palette.muted);
  set(ImGuiCol_FrameBg, palette.raised);
  set(ImGuiCol_FrameBgHovered, WithOpacity(palette.accent, 0.25));
  set(ImGuiCol_FrameBgActive, WithOpacity(palette.accent, 0.35));
  set(ImGuiCol_Button, palette.raised);
  set(ImGuiCol_ButtonHovered, WithOpacity(palette.accent, 0.30));
  set(ImGuiCol_ButtonActive, WithOpacity(palette.accent, 0.50));
  set(ImGuiCol_Header, palette.accent_soft);
  set(ImGuiCol_HeaderHovered, WithOpacity(palette.accent, 0.25));
  set(ImGuiCol_HeaderActive, WithOpacity(palette.accent, 0.35));
  set(ImGuiCol_CheckMark, palette.accent);
  set(ImGuiCol_Separator, palette.line);
  set(ImGuiCol_ScrollbarBg, 0);
  set(ImGuiCol_ScrollbarGrab, palette.line);
  set(ImGuiCol_NavHighlight, palette.accent);
  set(ImGuiCol_TextSelectedBg, WithOpacity(palette.accent, 0.35));
  style.WindowRounding = 0.0F;
  style.ChildRounding = 6.0F;
  style.FrameRounding = 5.0F;
  style.PopupRounding = 8.0F;
  style.GrabRounding = 5.0F;
  style.ScrollbarSize = 10.0F;
  style.WindowBorderSize = 0.0F;
  style.FramePadding = ImVec2(10.0F, 5.0F);
  style.ItemSpacing = ImVec2(8.0F, 6.0F);
  style.WindowPadding = ImVec2(12.0F, 10.0F);
  style.ScaleAllSizes(scale);
  style.AntiAliasedLinesUseTex = true;
  ImGui::GetStyle() = style;
}

}  // namespace

ImU32 Ink(std::uint32_t rgb, double opacity) {
  return IM_COL32((rgb >> 16U) & 0xFFU, (rgb >> 8U) & 0xFFU, rgb & 0xFFU,
                  static_cast<std::uint32_t>(std::lround(255.0 * opacity)));
}

ImU32 WithOpacity(ImU32 color, double opacity) {
  const auto alpha = static_cast<ImU32>(std::lround(255.0 * opacity));
  return (color & ~IM_COL32_A_MASK) | (alpha << IM_COL32_A_SHIFT);
}

ImU32 Theme::VerdictColor(Verdict verdict) const {
  const VerdictStyle style = StyleOf(verdict);
  return Ink(palette.dark ? style.on_dark : style.on_light);
}

Result<Theme> MakeTheme(bool dark, double scale) {
  const std::string regular = FontFile(false);
  const std::string bold = FontFile(true);
  if (regular.empty() || bold.empty()) {
    return Fail(
        "no font of the system has the signs ♯ and ♭; install one that has (package "
        "fonts-dejavu-core)");
  }
  Theme theme;
  theme.scale = static_cast<float>(scale);
  theme.palette = dark ? DarkPalette() : LightPalette();
  ImFontAtlas& atlas = *ImGui::GetIO().Fonts;
  atlas.Clear();
  const auto add = [&](const std::string& file, double size, const ImWchar* ranges) {
    return atlas.AddFontFromFileTTF(file.c_str(), std::round(theme.Px(size)), nullptr, ranges);
  };
  theme.fonts.text = add(regular, 14.0, kTextRanges.data());
  theme.fonts.bold = add(bold, 14.0, kTextRanges.data());
  theme.fonts.small = add(regular, 12.0, kTextRanges.data());
  theme.fonts.title = add(bold, 28.0, kTextRanges.data());
  theme.fonts.huge = add(bold, 96.0, kHugeRanges.data());
  if (theme.fonts.text == nullptr || theme.fonts.huge == nullptr || !atlas.Build()) {
    return Fail(regular + ": the font can't be read");
  }
  ApplyStyle(theme.palette, theme.scale);
  return theme;
}

std::string DisplayName(std::string_view note_name) {
  std::string name;
  for (const char c : note_name) {
    if (c == '#') {
      name += "♯";
    } else {
      name += c;
    }
  }
  return name;
}

std::string DisplayName(int midi) { return DisplayName(NoteName(midi)); }

void DrawMark(ImDrawList& draw, Verdict verdict, ImVec2 center, float radius, ImU32 color) {
  const float r = radius;
  const auto at = [&](float x, float y) { return ImVec2(center.x + x * r, center.y + y * r); };
  switch (StyleOf(verdict).shape) {
    case VerdictShape::kDisc:
      draw.AddCircleFilled(center, 0.9F * r, color, 24);
      return;
    case VerdictShape::kDiamond:
      draw.AddQuadFilled(at(0, -1.2F), at(1.2F, 0), at(0, 1.2F), at(-1.2F, 0), color);
      return;
    case VerdictShape::kTriangle:
      draw.AddTriangleFilled(at(0, -1.15F), at(1.1F, 0.85F), at(-1.1F, 0.85F), color);
      return;
    case VerdictShape::kCross:
      draw.AddLine(at(-0.8F, -0.8F), at(0.8F, 0.8F), color, 0.5F * r);
      draw.AddLine(at(-0.8F, 0.8F), at(0.8F, -0.8F), color, 0.5F * r);
      return;
  }
}

}  // namespace tinesight
