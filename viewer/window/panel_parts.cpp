#include <algorithm>
#include <cfloat>
#include <filesystem>

#include "viewer/window/panels.hpp"

namespace tinesight {

void BeginPanel(const char* name, const Area& area, ImU32 background, bool scrolls) {
  ImGui::SetNextWindowPos(area.corner);
  ImGui::SetNextWindowSize(area.size);
  ImGui::PushStyleColor(ImGuiCol_WindowBg, background);
  ImGuiWindowFlags flags = ImGuiWindowFlags_NoDecoration | ImGuiWindowFlags_NoMove |
                           ImGuiWindowFlags_NoSavedSettings |
                           ImGuiWindowFlags_NoBringToFrontOnFocus | ImGuiWindowFlags_NoNavInputs |
                           ImGuiWindowFlags_NoNavFocus;
  if (scrolls) {
    flags &= ~ImGuiWindowFlags_NoScrollbar;
  } else {
    flags |= ImGuiWindowFlags_NoScrollWithMouse;
  }
  ImGui::Begin(name, nullptr, flags);
}

void EndPanel() {
  ImGui::End();
  ImGui::PopStyleColor();
}

void SelectNote(PanelContext& context, int midi) {
  if (midi == context.session.Midi()) return;
  context.session.SelectNote(midi);
  context.state.zoomed_photo.reset();
}

void TextColored(ImU32 color, const std::string& text) {
  ImGui::PushStyleColor(ImGuiCol_Text, color);
  ImGui::TextUnformatted(text.c_str());
  ImGui::PopStyleColor();
}

std::string WrapAtSpaces(const ImFont* font, float font_size, const std::string& text,
                         float width_px) {
  std::string wrapped;
  std::size_t line = 0;  // where the last line begins
  for (std::size_t at = 0; at < text.size();) {
    const std::size_t next = std::min(text.find(' ', at), text.size());
    const std::size_t before = wrapped.size();
    if (before > line) wrapped += ' ';
    wrapped.append(text, at, next - at);
    const float wide = font->CalcTextSizeA(font_size, FLT_MAX, 0.0F, wrapped.c_str() + line).x;
    if (before > line && wide > width_px) {
      wrapped[before] = '\n';
      line = before + 1;
    }
    at = next + 1;
  }
  return wrapped;
}

void TextWrapped(const std::string& text) {
  const float width = ImGui::GetContentRegionAvail().x;
  // A single word may still be too long, as paths are: that one ImGui cuts.
  ImGui::PushTextWrapPos(0.0F);
  ImGui::TextUnformatted(WrapAtSpaces(ImGui::GetFont(), ImGui::GetFontSize(), text, width).c_str());
  ImGui::PopTextWrapPos();
}

std::string Capitalized(std::string text) {
  if (!text.empty() && text[0] >= 'a' && text[0] <= 'z') text[0] = static_cast<char>(text[0] - 32);
  return text;
}

void VerdictLabel(const Theme& theme, Verdict verdict, const std::string& word) {
  const ImVec2 corner = ImGui::GetCursorScreenPos();
  const float line = ImGui::GetTextLineHeight();
  const ImU32 color = theme.VerdictColor(verdict);
  DrawMark(*ImGui::GetWindowDrawList(), verdict,
           ImVec2(corner.x + 0.45F * line, corner.y + 0.52F * line), 0.36F * line, color);
  ImGui::SetCursorScreenPos(ImVec2(corner.x + 1.15F * line, corner.y));
  TextColored(color, word);
}

ImVec2 Tag(ImDrawList& draw, const Theme& theme, ImFont* font, ImVec2 corner,
           const std::string& text, ImU32 color, double background_opacity) {
  const ImVec2 size = font->CalcTextSizeA(font->FontSize, FLT_MAX, 0.0F, text.c_str());
  const ImVec2 pad(theme.Px(7.0), theme.Px(3.0));
  const ImVec2 end(corner.x + size.x + 2.0F * pad.x, corner.y + size.y + 2.0F * pad.y);
  draw.AddRectFilled(corner, end, WithOpacity(theme.palette.panel, background_opacity),
                     theme.Px(4.0));
  draw.AddText(font, font->FontSize, ImVec2(corner.x + pad.x, corner.y + pad.y), color,
               text.c_str());
  return {end.x - corner.x, end.y - corner.y};
}

std::string PictureCaption(const Session& session, const ViewState& state) {
  std::string caption = DisplayName(session.Midi()) + " · " + session.CurrentVisit().name;
  const auto photo = session.PhotoIndex();
  if (state.stage == Stage::kPhoto && photo) {
    caption += " · " + std::filesystem::path(session.CurrentVisit().measurement.photos[*photo].file)
                           .filename()
                           .string();
  } else if (state.stage == Stage::kHarp) {
    caption += state.magnification == 1.0
                   ? " · offsets true"
                   : " · offsets ×" + std::to_string(static_cast<int>(state.magnification));
  } else if (state.stage == Stage::kSection) {
    caption += " · section at the pickup";
    const NoteMeasurement* note = session.Note();
    const auto& what_if = state.what_if;
    if (note != nullptr && what_if && what_if->Moved() && StartsFrom(*what_if, *note)) {
      caption += " · " + WhatIfSummary(*what_if);
    }
  }
  return caption;
}

}  // namespace tinesight
