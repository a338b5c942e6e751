#include <cmath>
#include <string>

#include "viewer/window/panels.hpp"

namespace tinesight {
namespace {

// "faint" for a harmonic that is hardly there.
std::string Decibels(double value, bool sign) {
  if (value < kFaintHarmonicDb && !sign) return "faint";
  return SignedDecimals(value, sign, 1);
}

bool Slider(const Theme& t, const char* name, double& value, double low, double high) {
  auto mm = static_cast<float>(value);
  ImGui::AlignTextToFramePadding();
  TextColored(t.palette.muted, name);
  const std::string figure = SignedDecimals(value, true, 2) + " mm";
  ImGui::SameLine(t.Px(138.0) - ImGui::CalcTextSize(figure.c_str()).x);
  ImGui::TextUnformatted(figure.c_str());
  ImGui::SameLine(t.Px(152.0));
  ImGui::SetNextItemWidth(-1.0F);
  ImGui::PushStyleColor(ImGuiCol_SliderGrab, t.palette.accent);
  ImGui::PushStyleColor(ImGuiCol_SliderGrabActive, t.palette.accent);
  const bool moved =
      ImGui::SliderFloat((std::string("##") + name).c_str(), &mm, static_cast<float>(low),
                         static_cast<float>(high), "", ImGuiSliderFlags_AlwaysClamp);
  ImGui::PopStyleColor(2);
  if (moved) value = static_cast<double>(mm);
  return moved;
}

// A row of the table: before, after and the change of one figure.
void Row(const Theme& t, const char* name, double before, double after, double change, bool sign) {
  const float right = ImGui::GetWindowContentRegionMax().x;
  const auto at = [&](float x, ImU32 color, const std::string& text) {
    ImGui::SameLine();
    ImGui::SetCursorPosX(x - ImGui::CalcTextSize(text.c_str()).x);
    TextColored(color, text);
  };
  TextColored(t.palette.muted, name);
  at(right - t.Px(120.0), t.palette.text, Decibels(before, sign));
  at(right - t.Px(60.0), t.palette.text, Decibels(after, sign));
  const bool faint = !sign && before < kFaintHarmonicDb && after < kFaintHarmonicDb;
  at(right, std::abs(change) >= 0.05 && !faint ? t.palette.accent : t.palette.muted,
     faint ? "–" : Decibels(change, true));
}

void Table(const Theme& t, const WhatIf& what_if) {
  const float right = ImGui::GetWindowContentRegionMax().x;
  ImGui::PushFont(t.fonts.small);
  TextColored(t.palette.muted, "dB, medium stroke");
  for (const auto& [word, back] : {std::pair{"before", 120.0}, {"after", 60.0}, {"change", 0.0}}) {
    ImGui::SameLine();
    ImGui::SetCursorPosX(right - t.Px(back) - ImGui::CalcTextSize(word).x);
    TextColored(t.palette.muted, word);
  }
  ImGui::PopFont();
  const DynamicTone& now = what_if.tone_now.Of(Dynamic::kMedium);
  const DynamicTone& then = what_if.tone_then.Of(Dynamic::kMedium);
  const DynamicTone& change = what_if.change.Of(Dynamic::kMedium);
  Row(t, "level", now.level_db.value, then.level_db.value, change.level_db.value, true);
  Row(t, "octave", now.second_db.value, then.second_db.value, change.second_db.value, false);
  Row(t, "twelfth", now.third_db.value, then.third_db.value, change.third_db.value, false);
  const DynamicTone& soft = what_if.tone_now.growth;
  Row(t, "soft to hard", soft.level_db.value, what_if.tone_then.growth.level_db.value,
      what_if.change.growth.level_db.value, true);
}

}  // namespace

void DrawWhatIf(PanelContext& context, const NoteMeasurement& note, const NoteProfile& target,
                const ToneProfile& tone) {
  const Theme& t = context.theme;
  auto& what_if = context.state.what_if;
  if (!what_if || !StartsFrom(*what_if, note)) what_if = StartWhatIf(note, target, tone);
  if (!what_if) {
    TextWrapped("Needs lateral offset, height and gap, all measured.");
    return;
  }
  PickupPlace then = what_if->then;
  const PickupPlace least = LeastPlace(*what_if);
  const PickupPlace most = MostPlace(*what_if);
  bool moved = Slider(t, "lateral", then.lateral_mm, least.lateral_mm, most.lateral_mm);
  moved |= Slider(t, "height", then.height_mm, least.height_mm, most.height_mm);
  moved |= Slider(t, "gap", then.gap_mm, least.gap_mm, most.gap_mm);
  const auto jump = [&](const char* label, Command command, const PickupPlace& place) {
    ImGui::PushFont(t.fonts.small);
    if (ImGui::Button(label)) {
      then = place;
      moved = true;
    }
    ImGui::PopFont();
    if (ImGui::IsItemHovered()) {
      ImGui::SetTooltip("key %s", ChordText(InfoOf(command).chord).c_str());
    }
  };
  jump("as measured", Command::kTryAsMeasured, what_if->now.place);
  ImGui::SameLine();
  jump("at its target", Command::kTryAtTarget, IdealPlace(target));
  if (moved) MoveWhatIf(*what_if, then, target, tone);
  Table(t, *what_if);
  ImGui::PushFont(t.fonts.small);
  ImGui::PushStyleColor(ImGuiCol_Text, t.palette.muted);
  TextWrapped("Computed from the place, not listened to. Intervals: tinesight what-if.");
  ImGui::PopStyleColor();
  ImGui::PopFont();
}

}  // namespace tinesight
