#include <algorithm>
#include <array>
#include <cmath>
#include <filesystem>
#include <string>
#include <vector>

#include "record/text_util.hpp"
#include "viewer/photo_overlay.hpp"
#include "viewer/window/panels.hpp"

namespace tinesight {
namespace {

void Heading(const Theme& t, const char* text) {
  ImGui::Dummy(ImVec2(0.0F, t.Px(4.0)));
  ImGui::PushFont(t.fonts.bold);
  TextColored(t.palette.muted, text);
  ImGui::PopFont();
}

// Text with its right end at `x` of the window.
void TextRightAt(float x, ImU32 color, const std::string& text) {
  ImGui::SameLine();
  ImGui::SetCursorPosX(x - ImGui::CalcTextSize(text.c_str()).x);
  TextColored(color, text);
}

class NotePanel {
 public:
  NotePanel(PanelContext& context, const NoteMeasurement& note)
      : c_(context), t_(context.theme), note_(note) {
    if (const InstrumentProfile* profile = c_.session.Profile()) target_ = profile->Find(note.midi);
  }

  void Draw() {
    DrawTitle();
    DrawFigures();
    if (!note_.advice.empty() || !note_.reason.empty() || !note_.suspicions.empty()) DrawAdvice();
    if (note_.lateral_mm) {
      DrawSectionBox();
      DrawTone();
      DrawCrops();
    }
    DrawFindings();
    DrawWork();
  }

 private:
  void DrawTitle() {
    ImGui::PushFont(t_.fonts.title);
    ImGui::TextUnformatted(DisplayName(note_.midi).c_str());
    ImGui::PopFont();
    ImGui::SameLine(0.0F, t_.Px(14.0));
    const float y = ImGui::GetCursorPosY();
    ImGui::SetCursorPosY(y + t_.Px(1.0));
    const Verdict worst = note_.lateral_verdict;
    ImGui::BeginGroup();
    VerdictLabel(t_, worst, VerdictWord(worst, Quantity::kLateral));
    const ReviewState review = c_.session.ReviewOf(note_.midi);
    const std::string photos =
        std::to_string(note_.photos) + (note_.photos == 1 ? " photo" : " photos");
    ImGui::PushFont(t_.fonts.small);
    TextColored(review == ReviewState::kNone ? t_.palette.muted : t_.palette.accent,
                (c_.session.PlacedByHand(note_.midi) ? "placed by hand" : photos) + " · " +
                    ReviewWord(review));
    ImGui::PopFont();
    ImGui::EndGroup();
  }

  void DrawFigures() {
    Heading(t_, "Figures");
    const float right = ImGui::GetWindowContentRegionMax().x;
    for (const ChartQuantity quantity :
         {ChartQuantity::kLateral, ChartQuantity::kHeight, ChartQuantity::kGap}) {
      DrawJudged(quantity, right);
    }
    DrawAngle("yaw at the mount", note_.yaw_deg, right);
    DrawAngle("tone bar yaw", note_.tone_bar_yaw_deg, right);
    if (note_.damper_lift_mm) {
      TextColored(t_.palette.muted, "damper lift");
      TextRightAt(right, t_.palette.text,
                  MeasuredText(*note_.damper_lift_mm, ChartQuantity::kDamperLift));
    }
    ImGui::PushFont(t_.fonts.small);
    TextColored(t_.palette.muted, "± is U, the expanded uncertainty (k = 2)");
    ImGui::PopFont();
  }

  void DrawJudged(ChartQuantity quantity, float right) {
    const auto d = DeviationOf(note_, quantity, c_.session.Profile());
    const Verdict verdict = VerdictOf(note_, quantity);
    ImGui::TextUnformatted(Capitalized(ChartQuantityName(quantity)).c_str());
    TextRightAt(right, d ? t_.palette.text : t_.palette.muted,
                d ? MeasuredText(d->value, quantity) : "not measured");
    if (!d) return;
    ImGui::PushFont(t_.fonts.small);
    VerdictLabel(t_, verdict, VerdictWordOf(verdict, quantity));
    std::string more = quantity == ChartQuantity::kLateral
                           ? ChartQuantitySide(quantity, d->value.value > 0.0)
                           : "target " + FixedDecimals(d->target, 2);
    if (d->tolerance) more += " · ± " + FixedDecimals(*d->tolerance, 2) + " allowed";
    TextRightAt(right, t_.palette.muted, more);
    ImGui::PopFont();
  }

  void DrawAngle(const char* name, const std::optional<Measured>& value, float right) const {
    if (!value) return;
    TextColored(t_.palette.muted, name);
    TextRightAt(right, t_.palette.text, MeasuredText(*value, ChartQuantity::kToneBarYaw));
  }

  void DrawAdvice() {
    if (!note_.advice.empty()) {
      Heading(t_, "What to turn");
      const ImVec2 corner = ImGui::GetCursorScreenPos();
      ImGui::Indent(t_.Px(10.0));
      TextWrapped(Capitalized(note_.advice));
      ImGui::Unindent(t_.Px(10.0));
      const float end = ImGui::GetCursorScreenPos().y - t_.Px(6.0);
      ImGui::GetWindowDrawList()->AddRectFilled(corner, ImVec2(corner.x + t_.Px(3.0), end),
                                                t_.VerdictColor(WorstVerdict(note_)), t_.Px(2.0));
    }
    if (!note_.reason.empty()) {
      Heading(t_, c_.session.PlacedByHand(note_.midi) ? "Where the figures come from"
                  : note_.lateral_mm                  ? "Why it is uncertain"
                                                      : "Why it was not measured");
      TextWrapped(Capitalized(note_.reason));
    }
    for (const Suspicion& suspicion : note_.suspicions) {
      TextWrapped("Suspicion: " + suspicion.text);
    }
  }

  void DrawSectionBox() {
    Heading(t_, "Section at the pickup");
    const float width = ImGui::GetContentRegionAvail().x;
    const Area area{ImGui::GetCursorScreenPos(), ImVec2(width, t_.Px(170.0))};
    ImDrawList& draw = *ImGui::GetWindowDrawList();
    draw.AddRectFilled(area.corner, area.End(), t_.palette.stage, t_.Px(5.0));
    DrawSection(draw, t_, note_, target_, c_.state.what_if, area);
    if (ImGui::InvisibleButton("##section", area.size)) c_.state.stage = Stage::kSection;
    if (ImGui::IsItemHovered()) ImGui::SetTooltip("larger, key 3");
  }

  void DrawTone() {
    const InstrumentProfile* profile = c_.session.Profile();
    if (profile == nullptr || target_ == nullptr) return;
    Heading(t_, "What if it stood elsewhere: predicted tone");
    DrawWhatIf(c_, note_, *target_, profile->tone);
  }

  void DrawCrops() {
    const auto& photos = c_.session.PhotosOfSelection();
    if (photos.empty()) return;
    Heading(t_, "In every photo");
    const float width = ImGui::GetContentRegionAvail().x;
    const float gap = t_.Px(6.0);
    const float side = std::min(t_.Px(150.0), 0.5F * (width - gap));
    for (std::size_t i = 0; i < photos.size(); ++i) {
      if (i % 2 == 1) ImGui::SameLine(0.0F, gap);
      DrawCrop(photos[i], side);
    }
  }

  void DrawCrop(std::size_t index, float side) {
    const Visit& visit = c_.session.CurrentVisit();
    const PhotoMeasurement& photo = visit.measurement.photos[index];
    const Area area{ImGui::GetCursorScreenPos(), ImVec2(side, side)};
    ImGui::PushID(static_cast<int>(index));
    if (ImGui::InvisibleButton("##crop", area.size)) {
      c_.session.SelectPhoto(index);
      c_.state.stage = Stage::kPhoto;
      c_.state.zoomed_photo.reset();
    }
    const bool hovered = ImGui::IsItemHovered();
    ImGui::PopID();
    ImDrawList& draw = *ImGui::GetWindowDrawList();
    draw.AddRectFilled(area.corner, area.End(), t_.palette.stage, t_.Px(4.0));
    draw.PushClipRect(area.corner, area.End(), true);
    if (const auto crop = c_.shelf.CropOf(index, note_.midi)) {
      draw.AddImage(crop->texture->ForImGui(), area.corner, area.End());
      DrawCropOverlay(draw, photo, visit.MeasurementOfPhoto(index), *crop, area);
    } else {
      const bool failed = c_.shelf.Store().StateOf(index) == PhotoStore::State::kFailed;
      draw.AddText(t_.fonts.small, t_.fonts.small->FontSize,
                   ImVec2(area.corner.x + t_.Px(8.0), area.corner.y + 0.5F * side),
                   t_.palette.muted, failed ? "can't be shown" : "loading …");
    }
    draw.PopClipRect();
    const bool shown = c_.session.PhotoIndex() == index;
    if (shown || hovered) {
      draw.AddRect(area.corner, area.End(), WithOpacity(t_.palette.accent, shown ? 1.0 : 0.5),
                   t_.Px(4.0), 0, t_.Px(2.0));
    }
    Tag(draw, t_, t_.fonts.small, ImVec2(area.corner.x + t_.Px(4.0), area.End().y - t_.Px(22.0)),
        std::filesystem::path(photo.file).stem().string(), t_.palette.text);
  }

  void DrawCropOverlay(ImDrawList& draw, const PhotoMeasurement& photo,
                       const VisitMeasurement& measurement, const PhotoShelf::Crop& crop,
                       const Area& area) const {
    if (!c_.state.overlay) return;
    const auto in_set =
        std::find_if(measurement.notes.begin(), measurement.notes.end(),
                     [this](const NoteMeasurement& n) { return n.midi == note_.midi; });
    if (in_set == measurement.notes.end()) return;
    const auto overlay = OverlayOf(photo, *in_set, target_);
    if (!overlay) return;
    const auto at = [&](const Eigen::Vector2d& p) {
      const double scale = area.size.x / crop.side_px;
      return ImVec2(area.corner.x + static_cast<float>(scale * (p.x() + 0.5 - crop.origin_x_px)),
                    area.corner.y + static_cast<float>(scale * (p.y() + 0.5 - crop.origin_y_px)));
    };
    const ImU32 found = Ink(0xE69F00);
    for (const Segment& edge : overlay->edges) {
      draw.AddLine(at(edge[0]), at(edge[1]), WithOpacity(found, 0.9), t_.Px(1.2));
    }
    draw.AddLine(at(overlay->prolonged[0]), at(overlay->prolonged[1]), found, t_.Px(1.5));
    std::vector<ImVec2> ring;
    for (const auto& p : overlay->target_ring) ring.push_back(at(p));
    draw.AddPolyline(ring.data(), static_cast<int>(ring.size()), Ink(0xF0E442), ImDrawFlags_Closed,
                     t_.Px(1.5));
  }

  void DrawFindings() {
    Heading(t_, "Findings");
    bool any = false;
    for (const Finding& finding : c_.session.Record().findings) {
      if (finding.midi != note_.midi) continue;
      any = true;
      TextWrapped("• " + FindingText(finding) +
                  (finding.stage == WorkStage::kAfter ? " (after)" : ""));
    }
    if (!any) TextColored(t_.palette.muted, "none entered");
    SmallButton("Enter a finding …", Command::kAddFinding);
  }

  void DrawWork() {
    Heading(t_, "Work done and remarks");
    bool any = false;
    for (const WorkDone& work : c_.session.Record().work_done) {
      if (work.midi != note_.midi) continue;
      any = true;
      TextWrapped("• " + work.text);
    }
    if (!any) TextColored(t_.palette.muted, "none entered");
    SmallButton("Enter work done …", Command::kAddWork);
  }

  void SmallButton(const char* label, Command command) {
    ImGui::PushFont(t_.fonts.small);
    if (ImGui::Button(label)) Execute(command, &c_.session, c_.state);
    ImGui::PopFont();
    if (ImGui::IsItemHovered()) {
      ImGui::SetTooltip("key %s", ChordText(InfoOf(command).chord).c_str());
    }
  }

  PanelContext& c_;
  const Theme& t_;
  const NoteMeasurement& note_;
  const NoteProfile* target_ = nullptr;
};

}  // namespace

void DrawNotePanel(PanelContext& context, const Area& area) {
  BeginPanel("##note", area, 0, true);
  if (const NoteMeasurement* note = context.session.Note()) {
    NotePanel(context, *note).Draw();
  } else {
    TextColored(context.theme.palette.muted, "Click a note on the keyboard.");
  }
  EndPanel();
}

}  // namespace tinesight
