#include <algorithm>
#include <cmath>
#include <optional>
#include <string>
#include <tuple>
#include <utility>
#include <vector>

#include "alignment/note_name.hpp"
#include "record/text_util.hpp"
#include "viewer/window/panels.hpp"

namespace tinesight {
namespace {

bool IsBlackKey(int midi) {
  switch (midi % 12) {
    case 1:
    case 3:
    case 6:
    case 8:
    case 10:
      return true;
    default:
      return false;
  }
}

// The notes that the keyboard shows: the profile's compass, or from first to last measured.
std::pair<int, int> Compass(const Session& session) {
  if (const InstrumentProfile* profile = session.Profile()) {
    return {profile->FirstMidi(), profile->LastMidi()};
  }
  const auto& notes = session.CurrentVisit().measurement.notes;
  return notes.empty() ? std::pair{28, 100} : std::pair{notes.front().midi, notes.back().midi};
}

// A round number not smaller than `value`.
double RoundUp(double value) {
  for (double step = 0.1; step < 1e3; step *= 10.0) {
    for (const double part : {1.0, 1.5, 2.0, 3.0, 5.0, 7.0}) {
      if (part * step >= value) return part * step;
    }
  }
  return value;
}

class Chart {
 public:
  Chart(PanelContext& context, const Area& area)
      : c_(context), t_(context.theme), draw_(*ImGui::GetWindowDrawList()), area_(area) {
    std::tie(first_, last_) = Compass(c_.session);
    keys_height_ = t_.Px(30.0);
    left_ = area.corner.x + t_.Px(64.0);
    right_ = area.End().x - t_.Px(14.0);
    top_ = area.corner.y + t_.Px(36.0);
    bottom_ = area.End().y - keys_height_ - t_.Px(8.0);
    step_ = (right_ - left_) / static_cast<float>(last_ - first_ + 1);
    earlier_ = c_.session.EarlierVisit();
    range_ = Range();
  }

  void Draw() {
    DrawHeading();
    DrawScale();
    for (int midi = first_; midi <= last_; ++midi) DrawNote(midi);
    DrawKeys();
    Interact();
  }

 private:
  float Left(int midi) const { return left_ + step_ * static_cast<float>(midi - first_); }
  float Middle(int midi) const { return Left(midi) + 0.5F * step_; }
  float Y(double value) const {
    const double part = std::clamp(value / range_, -1.0, 1.0);
    return 0.5F * (top_ + bottom_) - static_cast<float>(part) * 0.5F * (bottom_ - top_);
  }
  std::optional<Deviation> Find(const Visit* visit, int midi) const {
    const NoteMeasurement* note = visit != nullptr ? visit->Find(midi) : nullptr;
    if (note == nullptr) return std::nullopt;
    return DeviationOf(*note, c_.state.quantity, c_.session.Profile());
  }
  const Visit* Current() const { return &c_.session.CurrentVisit(); }

  // All but the odd outlier in view, and the tolerance with air about it.
  double Range() const {
    std::vector<double> sizes;
    double tolerance = 0.0;
    for (int midi = first_; midi <= last_; ++midi) {
      for (const Visit* visit : {Current(), earlier_}) {
        const auto d = Find(visit, midi);
        if (!d) continue;
        sizes.push_back(std::abs(d->deviation.value) + 0.5 * d->deviation.expanded_u);
        tolerance = std::max(tolerance, d->tolerance.value_or(0.0));
      }
    }
    std::sort(sizes.begin(), sizes.end());
    const double most = sizes.empty() ? 0.0 : sizes[(sizes.size() - 1) * 98 / 100];
    return RoundUp(std::max({1.02 * most, 1.6 * tolerance, 0.1}));
  }

  void DrawHeading() {
    ImGui::SetCursorScreenPos(ImVec2(area_.corner.x + t_.Px(12.0), area_.corner.y + t_.Px(6.0)));
    ImGui::PushStyleVar(ImGuiStyleVar_FramePadding, ImVec2(t_.Px(8.0), t_.Px(2.0)));
    constexpr Command kSwitches[] = {Command::kChartLateral, Command::kChartHeight,
                                     Command::kChartGap, Command::kChartToneBar,
                                     Command::kChartDamperLift};
    for (int i = 0; i < kChartQuantities; ++i) {
      const auto quantity = static_cast<ChartQuantity>(i);
      const bool chosen = quantity == c_.state.quantity;
      ImGui::PushStyleColor(ImGuiCol_Button,
                            chosen ? t_.palette.accent_soft : WithOpacity(t_.palette.raised, 0.0));
      ImGui::PushStyleColor(ImGuiCol_Text, chosen ? t_.palette.text : t_.palette.muted);
      if (ImGui::Button(ChartQuantityName(quantity).c_str())) c_.state.quantity = quantity;
      ImGui::PopStyleColor(2);
      if (ImGui::IsItemHovered()) {
        ImGui::SetTooltip("key %s", ChordText(InfoOf(kSwitches[i]).chord).c_str());
      }
      ImGui::SameLine(0.0F, t_.Px(2.0));
    }
    ImGui::PopStyleVar();
    DrawVisits();
  }

  void DrawVisits() {
    // At the right: which bar is which visit.
    ImFont* font = t_.fonts.small;
    float x = right_;
    const float y = area_.corner.y + t_.Px(9.0);
    const auto entry = [&](const std::string& name, bool solid) {
      const float width = font->CalcTextSizeA(font->FontSize, FLT_MAX, 0.0F, name.c_str()).x;
      x -= width;
      draw_.AddText(font, font->FontSize, ImVec2(x, y), t_.palette.muted, name.c_str());
      x -= t_.Px(14.0);
      const ImVec2 a(x, y + t_.Px(2.0));
      const ImVec2 b(x + t_.Px(7.0), y + t_.Px(12.0));
      if (solid) {
        draw_.AddRectFilled(a, b, t_.palette.muted);
      } else {
        draw_.AddRect(a, b, t_.palette.muted, 0.0F, 0, t_.Px(1.0));
      }
      x -= t_.Px(16.0);
    };
    entry(Current()->name, true);
    if (earlier_ != nullptr) entry(earlier_->name, false);
  }

  void DrawScale() {
    ImFont* font = t_.fonts.small;
    const ImU32 faint = WithOpacity(t_.palette.line, 0.6);
    const std::string unit = ChartQuantityUnit(c_.state.quantity);
    for (const double value : {range_, 0.5 * range_, 0.0, -0.5 * range_, -range_}) {
      const float y = Y(value);
      draw_.AddLine(ImVec2(left_, y), ImVec2(right_, y), value == 0.0 ? t_.palette.muted : faint,
                    value == 0.0 ? t_.Px(1.2) : 1.0F);
      std::string label = value == 0.0 ? "0 " + unit : FixedDecimals(std::abs(value), 2);
      if (value > 0.0) label = "+" + label;
      if (value < 0.0) label = "−" + label;
      const ImVec2 size = font->CalcTextSizeA(font->FontSize, FLT_MAX, 0.0F, label.c_str());
      draw_.AddText(font, font->FontSize, ImVec2(left_ - t_.Px(8.0) - size.x, y - 0.5F * size.y),
                    t_.palette.muted, label.c_str());
    }
    const auto side = [&](bool positive) {
      const std::string text = ChartQuantitySide(c_.state.quantity, positive);
      const ImVec2 at(left_ + t_.Px(4.0),
                      positive ? top_ + t_.Px(1.0) : bottom_ - font->FontSize - t_.Px(2.0));
      draw_.AddText(font, font->FontSize, at, WithOpacity(t_.palette.muted, 0.8), text.c_str());
    };
    side(true);
    side(false);
  }

  void DrawNote(int midi) {
    if (midi == c_.session.Midi()) {
      draw_.AddRectFilled(ImVec2(Left(midi), top_ - t_.Px(2.0)),
                          ImVec2(Left(midi) + step_, area_.End().y - t_.Px(6.0)),
                          t_.palette.accent_soft, t_.Px(3.0));
    }
    const auto now = Find(Current(), midi);
    const auto before = Find(earlier_, midi);
    const auto& any = now ? now : before;
    if (any && any->tolerance) {
      draw_.AddRectFilled(ImVec2(Left(midi), Y(*any->tolerance)),
                          ImVec2(Left(midi) + step_, Y(-*any->tolerance)), t_.palette.band);
    }
    // Side by side where both visits have it.
    const float width = std::clamp(step_ * (before ? 0.34F : 0.5F), 2.0F, t_.Px(12.0));
    if (before) DrawBar(*before, Middle(midi) - 0.62F * width, width, false);
    if (now) DrawBar(*now, before ? Middle(midi) + 0.62F * width : Middle(midi), width, true);
    if (!now && Current()->Find(midi) != nullptr) {
      DrawMark(draw_, Verdict::kNotMeasured, ImVec2(Middle(midi), Y(0.0)),
               std::min(0.3F * step_, t_.Px(4.0)), t_.VerdictColor(Verdict::kNotMeasured));
    }
  }

  void DrawBar(const Deviation& d, float x, float width, bool solid) {
    const bool judged = d.tolerance.has_value();
    const ImU32 color = judged ? t_.VerdictColor(d.verdict) : t_.palette.accent;
    const float y = Y(d.deviation.value);
    const float zero = Y(0.0);
    const ImVec2 a(x - 0.5F * width, std::min(y, zero));
    const ImVec2 b(x + 0.5F * width, std::max(y, zero) + 0.5F);
    if (solid) {
      draw_.AddRectFilled(a, b, WithOpacity(color, 0.75));
    } else {
      draw_.AddRect(a, b, WithOpacity(color, 0.8), 0.0F, 0, 1.0F);
    }
    const ImU32 whisker = WithOpacity(t_.palette.text, solid ? 0.55 : 0.3);
    draw_.AddLine(ImVec2(x, Y(d.deviation.value + d.deviation.expanded_u)),
                  ImVec2(x, Y(d.deviation.value - d.deviation.expanded_u)), whisker, t_.Px(1.0));
    if (solid) {
      // What runs off the scale is marked as such.
      const bool off = std::abs(d.deviation.value) > range_;
      const float radius = std::clamp(0.32F * step_, 2.0F, t_.Px(4.5));
      if (off) {
        const float s = d.deviation.value > 0.0 ? -1.0F : 1.0F;
        draw_.AddTriangleFilled(ImVec2(x, y + s * radius * 1.4F), ImVec2(x - radius, y),
                                ImVec2(x + radius, y), color);
      } else if (judged) {
        DrawMark(draw_, d.verdict, ImVec2(x, y), radius, color);
      }
    }
  }

  void DrawKeys() {
    const float top = area_.End().y - keys_height_ - t_.Px(4.0);
    const float end = area_.End().y - t_.Px(6.0);
    draw_.AddRectFilled(ImVec2(left_, top), ImVec2(right_, end), t_.palette.key_white, t_.Px(2.0));
    draw_.AddRect(ImVec2(left_, top), ImVec2(right_, end), WithOpacity(t_.palette.key_black, 0.5),
                  t_.Px(2.0));
    const int selected = c_.session.Midi();
    if (selected >= first_ && selected <= last_) {
      draw_.AddRectFilled(ImVec2(Left(selected), top), ImVec2(Left(selected) + step_, end),
                          WithOpacity(t_.palette.accent, 0.75));
    }
    for (int midi = first_; midi <= last_; ++midi) {
      if (IsBlackKey(midi)) {
        const float low = top + 0.58F * (end - top);
        draw_.AddRectFilled(ImVec2(Left(midi), top), ImVec2(Left(midi) + step_, low),
                            midi == c_.session.Midi() ? t_.palette.accent : t_.palette.key_black,
                            t_.Px(1.5));
        draw_.AddLine(ImVec2(Middle(midi), low), ImVec2(Middle(midi), end),
                      WithOpacity(t_.palette.key_black, 0.5));
      } else if (midi > first_ && !IsBlackKey(midi - 1)) {
        draw_.AddLine(ImVec2(Left(midi), top), ImVec2(Left(midi), end),
                      WithOpacity(t_.palette.key_black, 0.5));
      }
      if (midi % 12 == 0 && step_ > t_.Px(9.0)) {
        ImFont* font = t_.fonts.small;
        const std::string name = NoteName(midi);
        const float width = font->CalcTextSizeA(font->FontSize, FLT_MAX, 0.0F, name.c_str()).x;
        draw_.AddText(font, font->FontSize,
                      ImVec2(Middle(midi) - 0.5F * width, end - font->FontSize - 1.0F),
                      Ink(0x3A4045), name.c_str());
      }
    }
  }

  void Interact() {
    ImGui::SetCursorScreenPos(ImVec2(left_, top_));
    ImGui::InvisibleButton("##notes", ImVec2(right_ - left_, area_.End().y - top_ - t_.Px(4.0)));
    if (!ImGui::IsItemHovered()) return;
    const float x = ImGui::GetIO().MousePos.x;
    const int midi = std::clamp(first_ + static_cast<int>((x - left_) / step_), first_, last_);
    draw_.AddRect(ImVec2(Left(midi), top_ - t_.Px(2.0)),
                  ImVec2(Left(midi) + step_, area_.End().y - t_.Px(6.0)), t_.palette.accent,
                  t_.Px(3.0));
    if (ImGui::IsMouseClicked(0)) SelectNote(c_, midi);
    DrawTooltip(midi);
  }

  void DrawTooltip(int midi) {
    ImGui::BeginTooltip();
    ImGui::PushFont(t_.fonts.bold);
    ImGui::TextUnformatted(DisplayName(midi).c_str());
    ImGui::PopFont();
    for (const Visit* visit : {earlier_, Current()}) {
      if (visit == nullptr) continue;
      TextColored(t_.palette.muted, visit->name);
      const auto d = Find(visit, midi);
      if (!d) {
        ImGui::TextUnformatted((ChartQuantityName(c_.state.quantity) + " not measured").c_str());
        continue;
      }
      ImGui::TextUnformatted(
          (ChartQuantityName(c_.state.quantity) + ' ' + MeasuredText(d->value, c_.state.quantity))
              .c_str());
      if (d->tolerance) {
        VerdictLabel(t_, d->verdict,
                     VerdictWordOf(d->verdict, c_.state.quantity) + ", " +
                         DeviationText(*d, c_.state.quantity));
      }
    }
    ImGui::EndTooltip();
  }

  PanelContext& c_;
  const Theme& t_;
  ImDrawList& draw_;
  Area area_;
  int first_ = 28;
  int last_ = 100;
  float keys_height_ = 0.0F;
  float left_ = 0.0F;
  float right_ = 0.0F;
  float top_ = 0.0F;
  float bottom_ = 0.0F;
  float step_ = 1.0F;
  double range_ = 1.0;
  const Visit* earlier_ = nullptr;
};

}  // namespace

void DrawChart(PanelContext& context, const Area& area) {
  BeginPanel("##chart", area, 0);
  Chart(context, area).Draw();
  EndPanel();
}

}  // namespace tinesight
