// The section at the pickup: what the tine looks like from the mount, in the pickup's face.
#include <Eigen/Eigenvalues>
#include <algorithm>
#include <cmath>
#include <numbers>
#include <string>
#include <vector>

#include "record/text_util.hpp"
#include "viewer/window/panels.hpp"

namespace tinesight {
namespace {

class SectionDrawing {
 public:
  SectionDrawing(ImDrawList& draw, const Theme& theme, const NoteMeasurement& note,
                 const NoteProfile* target, const std::optional<WhatIf>& what_if, const Area& area)
      : draw_(draw), t_(theme), note_(note), target_(target), area_(area) {
    if (what_if && what_if->Moved() && StartsFrom(*what_if, note)) tried_ = what_if->then;
  }

  void Draw() {
    const double lateral = note_.lateral_mm->value;
    const double height = note_.height_mm ? note_.height_mm->value : 0.0;
    target_mm_ = target_ != nullptr ? target_->height_mm : 0.0;
    // All of pole tip, tine, its uncertainty and the goal in view, about the middle of them.
    const double reach = 0.5 * note_.tine_diameter_mm + note_.lateral_mm->expanded_u + 0.6;
    const double pole = 0.5 * note_.pole_tip_diameter_mm + 0.3;
    const double tolerance = target_ != nullptr ? target_->tolerance_lateral_mm + 0.3 : 0.0;
    double left = std::min({-pole, lateral - reach, -tolerance});
    double right = std::max({pole, lateral + reach, tolerance});
    double low = std::min({-pole, height - reach, target_mm_ - tolerance});
    double high = std::max({pole, height + reach, target_mm_ + tolerance});
    if (tried_) {
      const double radius = 0.5 * note_.tine_diameter_mm + 0.3;
      left = std::min(left, tried_->lateral_mm - radius);
      right = std::max(right, tried_->lateral_mm + radius);
      low = std::min(low, tried_->height_mm - radius);
      high = std::max(high, tried_->height_mm + radius);
    }
    middle_mm_ = Eigen::Vector2d(0.5 * (left + right), 0.5 * (low + high));
    scale_ = std::min(area_.size.x / static_cast<float>(right - left),
                      area_.size.y / static_cast<float>(high - low));
    draw_.PushClipRect(area_.corner, area_.End(), true);
    DrawGrid();
    DrawPole();
    DrawGoal();
    DrawTine(lateral, height);
    DrawOffset(lateral, height);
    if (tried_) DrawTried();
    DrawWords();
    draw_.PopClipRect();
  }

 private:
  // x toward treble to the right, y up as played.
  ImVec2 At(double x_mm, double y_mm) const {
    return {
        area_.corner.x + 0.5F * area_.size.x + static_cast<float>(x_mm - middle_mm_.x()) * scale_,
        area_.corner.y + 0.5F * area_.size.y - static_cast<float>(y_mm - middle_mm_.y()) * scale_};
  }
  float Px(double mm) const { return static_cast<float>(mm) * scale_; }

  void DrawGrid() {
    const ImU32 faint = WithOpacity(t_.palette.line, 0.45);
    for (int mm = -12; mm <= 12; ++mm) {
      const ImVec2 p = At(mm, mm);
      draw_.AddLine(ImVec2(p.x, area_.corner.y), ImVec2(p.x, area_.End().y), faint);
      draw_.AddLine(ImVec2(area_.corner.x, p.y), ImVec2(area_.End().x, p.y), faint);
    }
  }

  void DrawPole() {
    const ImVec2 center = At(0, 0);
    const float radius = Px(0.5 * note_.pole_tip_diameter_mm);
    draw_.AddCircleFilled(center, radius, WithOpacity(t_.palette.muted, 0.28), 64);
    draw_.AddCircle(center, radius, t_.palette.muted, 64, t_.Px(1.5));
    const ImU32 cross = WithOpacity(t_.palette.muted, 0.9);
    draw_.AddLine(At(-0.25, 0), At(0.25, 0), cross, t_.Px(1.0));
    draw_.AddLine(At(0, -0.25), At(0, 0.25), cross, t_.Px(1.0));
  }

  void DrawGoal() {
    if (target_ == nullptr) return;
    const ImVec2 a = At(-target_->tolerance_lateral_mm, target_mm_ + target_->tolerance_height_mm);
    const ImVec2 b = At(target_->tolerance_lateral_mm, target_mm_ - target_->tolerance_height_mm);
    draw_.AddRectFilled(a, b, t_.palette.band);
    draw_.AddRect(a, b, WithOpacity(t_.palette.accent, 0.8), 0.0F, 0, t_.Px(1.2));
  }

  void DrawTine(double lateral, double height) {
    const ImU32 color = t_.VerdictColor(note_.lateral_verdict);
    const ImVec2 center = At(lateral, height);
    const float radius = Px(0.5 * note_.tine_diameter_mm);
    draw_.AddCircleFilled(center, radius, WithOpacity(color, 0.35), 48);
    draw_.AddCircle(center, radius, color, 48, t_.Px(2.0));
    DrawEllipse(lateral, height);
    draw_.AddCircleFilled(center, t_.Px(2.5), t_.palette.text, 12);
  }

  // 95 % of a two-dimensional normal distribution lie within 2.448 standard deviations; the
  // figures' own U is k = 2 for one of them alone, which is what is drawn: its width and height are
  // then those of the figures.
  void DrawEllipse(double lateral, double height) {
    Eigen::Matrix2d covariance = Eigen::Matrix2d::Zero();
    if (note_.covariance) {
      covariance = note_.covariance->topLeftCorner<2, 2>();
    } else {
      const double u = 0.5 * note_.lateral_mm->expanded_u;
      const double v = note_.height_mm ? 0.5 * note_.height_mm->expanded_u : u;
      covariance.diagonal() << u * u, v * v;
    }
    const Eigen::SelfAdjointEigenSolver<Eigen::Matrix2d> axes(covariance);
    const Eigen::Vector2d half = 2.0 * axes.eigenvalues().cwiseMax(0.0).cwiseSqrt();
    std::vector<ImVec2> outline;
    constexpr int kCorners = 64;
    for (int i = 0; i < kCorners; ++i) {
      const double angle = 2.0 * std::numbers::pi * i / kCorners;
      const Eigen::Vector2d p = axes.eigenvectors() * Eigen::Vector2d(half.x() * std::cos(angle),
                                                                      half.y() * std::sin(angle));
      outline.push_back(At(lateral + p.x(), height + p.y()));
    }
    draw_.AddConvexPolyFilled(outline.data(), kCorners, WithOpacity(t_.palette.text, 0.10));
    draw_.AddPolyline(outline.data(), kCorners, WithOpacity(t_.palette.text, 0.8),
                      ImDrawFlags_Closed, t_.Px(1.2));
  }

  void DrawOffset(double lateral, double height) {
    if (std::abs(lateral) < 0.02) return;
    const ImU32 color = t_.palette.text;
    const ImVec2 from = At(0, height);
    const ImVec2 to = At(lateral, height);
    draw_.AddLine(At(0, 0), from, WithOpacity(color, 0.4), 1.0F);
    draw_.AddLine(from, to, color, t_.Px(1.6));
  }

  void DrawTried() {
    const ImVec2 center = At(tried_->lateral_mm, tried_->height_mm);
    const float radius = Px(0.5 * note_.tine_diameter_mm);
    constexpr int kDashes = 24;
    for (int i = 0; i < kDashes; ++i) {
      const float from = 2.0F * std::numbers::pi_v<float> * static_cast<float>(i) / kDashes;
      draw_.PathArcTo(center, radius, from, from + std::numbers::pi_v<float> / kDashes, 6);
      draw_.PathStroke(t_.palette.accent, 0, t_.Px(2.0));
    }
    draw_.AddCircleFilled(center, t_.Px(2.5), t_.palette.accent, 12);
  }

  void DrawWords() {
    ImFont* font = t_.fonts.small;
    const auto put = [&](ImVec2 at, const std::string& text, float align) {
      const ImVec2 size = font->CalcTextSizeA(font->FontSize, FLT_MAX, 0.0F, text.c_str());
      draw_.AddText(font, font->FontSize, ImVec2(at.x - align * size.x, at.y), t_.palette.muted,
                    text.c_str());
    };
    const float edge = t_.Px(6.0);
    const float middle = area_.corner.y + 0.5F * area_.size.y;
    put(ImVec2(area_.corner.x + edge, middle), "bass", 0.0F);
    put(ImVec2(area_.End().x - edge, middle), "treble", 1.0F);
    put(ImVec2(area_.corner.x + edge, area_.corner.y + edge), "up, as played", 0.0F);
    // A scale of 1 mm at the lower right.
    const float y = area_.End().y - t_.Px(10.0);
    const float x = area_.End().x - t_.Px(10.0);
    draw_.AddLine(ImVec2(x - Px(1.0), y), ImVec2(x, y), t_.palette.text, t_.Px(2.0));
    put(ImVec2(x - 0.5F * Px(1.0), y - font->FontSize - t_.Px(3.0)), "1 mm", 0.5F);
  }

  ImDrawList& draw_;
  const Theme& t_;
  const NoteMeasurement& note_;
  const NoteProfile* target_;
  Area area_;
  std::optional<PickupPlace> tried_;  // by the sliders, where it differs from the measured place
  double target_mm_ = 0.0;
  Eigen::Vector2d middle_mm_ = Eigen::Vector2d::Zero();
  float scale_ = 1.0F;
};

}  // namespace

void DrawSection(ImDrawList& draw, const Theme& theme, const NoteMeasurement& note,
                 const NoteProfile* target, const std::optional<WhatIf>& what_if,
                 const Area& area) {
  if (!note.lateral_mm) return;
  SectionDrawing(draw, theme, note, target, what_if, area).Draw();
}

void DrawSectionStage(PanelContext& context, const Area& area) {
  ImDrawList& draw = *ImGui::GetWindowDrawList();
  const Theme& t = context.theme;
  const NoteMeasurement* note = context.session.Note();
  draw.AddRectFilled(area.corner, area.End(), t.palette.panel);
  if (note == nullptr || !note->lateral_mm) {
    Tag(draw, t, t.fonts.text, ImVec2(area.corner.x + t.Px(20.0), area.corner.y + t.Px(20.0)),
        "This note was not measured: there is no section to draw.", t.palette.text);
    return;
  }
  const InstrumentProfile* profile = context.session.Profile();
  const NoteProfile* target = profile != nullptr ? profile->Find(note->midi) : nullptr;
  const auto& what_if = context.state.what_if;
  const float x = area.corner.x + t.Px(14.0);
  float y = area.corner.y + t.Px(10.0);
  const auto line = [&](const std::string& words, ImU32 color) {
    const std::string text =
        WrapAtSpaces(t.fonts.text, t.fonts.text->FontSize, words, area.size.x - t.Px(44.0));
    y += Tag(draw, t, t.fonts.text, ImVec2(x, y), text, color).y + t.Px(2.0);
  };
  line(DisplayName(note->midi) + ": " + VerdictWord(note->lateral_verdict, Quantity::kLateral) +
           ", " + MeasuredText(*note->lateral_mm, ChartQuantity::kLateral),
       t.VerdictColor(note->lateral_verdict));
  if (note->height_mm) {
    line("height " + VerdictWord(note->height_verdict, Quantity::kHeight) + ", " +
             MeasuredText(*note->height_mm, ChartQuantity::kHeight),
         t.VerdictColor(note->height_verdict));
  }
  line("ring: pole tip · box: target and tolerance · disc: tine · ellipse: U (k = 2)",
       t.palette.muted);
  if (what_if && what_if->Moved() && StartsFrom(*what_if, *note)) {
    line("dashed: " + WhatIfSummary(*what_if), t.palette.accent);
  }
  const float words = y - area.corner.y;
  DrawSection(draw, t, *note, target, what_if,
              {ImVec2(area.corner.x, y), ImVec2(area.size.x, area.size.y - words)});
}

}  // namespace tinesight
