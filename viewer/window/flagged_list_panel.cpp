#include <string>

#include "alignment/note_name.hpp"
#include "viewer/window/panels.hpp"

namespace tinesight {
namespace {

const char* ReviewSign(ReviewState state) {
  switch (state) {
    case ReviewState::kAccepted:
      return "✓ accepted";
    case ReviewState::kRejected:
      return "✗ rejected";
    case ReviewState::kNeedsPhoto:
      return "↑ another photo";
    case ReviewState::kNone:
      break;
  }
  return "";
}

void DrawRow(PanelContext& context, const FlaggedNote& note) {
  const Theme& t = context.theme;
  const bool selected = note.midi == context.session.Midi();
  const ReviewState review = context.session.ReviewOf(note.midi);
  const ImVec2 corner = ImGui::GetCursorScreenPos();
  const float width = ImGui::GetContentRegionAvail().x;
  const float height = t.Px(42.0);
  ImGui::PushID(note.midi);
  if (ImGui::InvisibleButton("##row", ImVec2(width, height))) SelectNote(context, note.midi);
  const bool hovered = ImGui::IsItemHovered();
  // The selection made by a key is scrolled into view, and no other scrolling is fought.
  if (selected) {
    ImGuiStorage& memory = *ImGui::GetStateStorage();
    const ImGuiID shown = 1;
    if (memory.GetInt(shown) != note.midi) {
      memory.SetInt(shown, note.midi);
      if (!ImGui::IsItemVisible()) ImGui::SetScrollHereY(0.5F);
    }
  }
  ImGui::PopID();
  ImDrawList& draw = *ImGui::GetWindowDrawList();
  const ImVec2 end(corner.x + width, corner.y + height);
  if (selected) {
    draw.AddRectFilled(corner, end, t.palette.accent_soft, t.Px(5.0));
    draw.AddRectFilled(corner, ImVec2(corner.x + t.Px(3.0), end.y), t.palette.accent, t.Px(2.0));
  } else if (hovered) {
    draw.AddRectFilled(corner, end, WithOpacity(t.palette.accent, 0.08), t.Px(5.0));
  }
  const ImU32 color = t.VerdictColor(note.verdict);
  DrawMark(draw, note.verdict, ImVec2(corner.x + t.Px(18.0), corner.y + 0.5F * height), t.Px(6.0),
           color);
  const float x = corner.x + t.Px(36.0);
  const double fade = review == ReviewState::kNone ? 1.0 : 0.6;
  draw.AddText(t.fonts.bold, t.fonts.bold->FontSize, ImVec2(x, corner.y + t.Px(4.0)),
               WithOpacity(t.palette.text, fade), DisplayName(note.midi).c_str());
  const std::string word = VerdictWordOf(note.verdict, note.quantity);
  draw.AddText(t.fonts.small, t.fonts.small->FontSize, ImVec2(x + t.Px(42.0), corner.y + t.Px(6.0)),
               color, word.c_str());
  const std::string line = review != ReviewState::kNone
                               ? std::string(ReviewSign(review))
                               : (note.quantity == ChartQuantity::kLateral
                                      ? note.text
                                      : ChartQuantityName(note.quantity) + ' ' + note.text);
  draw.PushClipRect(corner, end, true);
  draw.AddText(t.fonts.small, t.fonts.small->FontSize, ImVec2(x, corner.y + t.Px(23.0)),
               review != ReviewState::kNone ? t.palette.accent : t.palette.muted, line.c_str());
  draw.PopClipRect();
}

}  // namespace

void DrawFlaggedList(PanelContext& context, const Area& area) {
  const Theme& t = context.theme;
  BeginPanel("##flagged", area, 0);
  const auto& flagged = context.session.Flagged();
  ImGui::PushFont(t.fonts.bold);
  ImGui::TextUnformatted("To review");
  ImGui::PopFont();
  ImGui::SameLine();
  const std::string count = std::to_string(context.session.ReviewedCount()) + " of " +
                            std::to_string(flagged.size()) + " done";
  TextColored(t.palette.muted, count);
  const float part = flagged.empty() ? 1.0F
                                     : static_cast<float>(context.session.ReviewedCount()) /
                                           static_cast<float>(flagged.size());
  const ImVec2 bar = ImGui::GetCursorScreenPos();
  const float width = ImGui::GetContentRegionAvail().x;
  ImDrawList& draw = *ImGui::GetWindowDrawList();
  draw.AddRectFilled(bar, ImVec2(bar.x + width, bar.y + t.Px(3.0)), t.palette.line, t.Px(2.0));
  draw.AddRectFilled(bar, ImVec2(bar.x + part * width, bar.y + t.Px(3.0)), t.palette.accent,
                     t.Px(2.0));
  ImGui::Dummy(ImVec2(width, t.Px(4.0)));

  const float buttons = t.Px(64.0);
  ImGui::BeginChild("##rows", ImVec2(0.0F, -buttons));
  ImGui::PushStyleVar(ImGuiStyleVar_ItemSpacing, ImVec2(0.0F, t.Px(2.0)));
  if (flagged.empty()) {
    TextWrapped("No note is flagged: all are in tolerance.");
  }
  for (const FlaggedNote& note : flagged) DrawRow(context, note);
  ImGui::PopStyleVar();
  ImGui::EndChild();

  const float third = (ImGui::GetContentRegionAvail().x - 4.0F) / 2.0F;
  const auto button = [&](const char* label, Command command, float button_width) {
    if (ImGui::Button(label, ImVec2(button_width, 0.0F))) {
      Execute(command, &context.session, context.state);
    }
    if (ImGui::IsItemHovered()) {
      ImGui::SetTooltip("%s, key %s", InfoOf(command).name,
                        ChordText(InfoOf(command).chord).c_str());
    }
  };
  button("Accept", Command::kAccept, third);
  ImGui::SameLine(0.0F, 4.0F);
  button("Reject", Command::kReject, third);
  button("Needs another photo", Command::kNeedsPhoto, -1.0F);
  EndPanel();
}

}  // namespace tinesight
