// The selected note's figures for reading from the bench, and what became of the last photo.
#include <algorithm>
#include <cfloat>
#include <cmath>
#include <optional>
#include <string>

#include "record/text_util.hpp"
#include "viewer/window/panels.hpp"

namespace tinesight {
namespace {

// At the foot of the large type: what is being watched, and what became of the last photo. Gives
// what is left above.
Area DrawFollowLines(PanelContext& context, const Area& area) {
  const Theme& t = context.theme;
  const ViewState& state = context.state;
  ImDrawList& draw = *ImGui::GetWindowDrawList();
  const float size = std::max(t.fonts.title->FontSize, 0.055F * area.size.y);
  const float left = area.corner.x + t.Px(18.0);
  const float width = area.size.x - t.Px(36.0);
  float y = area.End().y - t.Px(10.0);
  const auto line = [&](const std::string& words, ImU32 color, float font_size) {
    if (words.empty()) return;
    const std::string text = WrapAtSpaces(t.fonts.title, font_size, words, width);
    y -= t.fonts.title->CalcTextSizeA(font_size, FLT_MAX, 0.0F, text.c_str()).y;
    draw.AddText(t.fonts.title, font_size, ImVec2(left, y), color, text.c_str());
  };
  line(state.follow_status, t.palette.muted, t.fonts.text->FontSize);
  line(state.follow_news,
       state.follow_failed ? t.VerdictColor(Verdict::kOutOfTolerance) : t.palette.text,
       state.follow_failed ? size : t.fonts.title->FontSize);
  return {area.corner, ImVec2(area.size.x, y - area.corner.y)};
}

// The selected note's remaining deviation, as large as the area takes it.
class LargeType {
 public:
  LargeType(PanelContext& context, const NoteMeasurement& note, const Area& area)
      : t_(context.theme),
        quantity_(context.state.quantity),
        note_(note),
        deviation_(DeviationOf(note, quantity_, context.session.Profile())),
        area_(area),
        unit_(std::min(area.size.x / 8.5F, area.size.y / 4.7F)),
        y_(area.corner.y + 0.15F * unit_) {}

  void Draw() {
    const Verdict verdict = VerdictOf(note_, quantity_);
    const ImU32 color =
        deviation_ && deviation_->tolerance ? t_.VerdictColor(verdict) : t_.palette.text;
    DrawMark(draw_, verdict, ImVec2(area_.corner.x + 0.9F * unit_, area_.corner.y + 0.8F * unit_),
             0.44F * unit_, color);
    Centered(t_.fonts.huge, unit_, DisplayName(note_.midi), t_.palette.text);
    if (deviation_) {
      const double value = deviation_->deviation.value;
      Centered(t_.fonts.huge, 1.3F * unit_,
               FixedDecimals(std::abs(value), 2) + ' ' + ChartQuantityUnit(quantity_), color);
      Centered(t_.fonts.huge, 0.55F * unit_, ChartQuantitySide(quantity_, value > 0.0), color);
      Centered(t_.fonts.title, 0.36F * unit_,
               VerdictWordOf(verdict, quantity_) + "  ± " +
                   FixedDecimals(deviation_->deviation.expanded_u, 2) + " (U, k = 2)",
               t_.palette.muted);
    } else {
      Centered(t_.fonts.huge, 0.6F * unit_, "not measured", color);
    }
    // What to turn; where nothing is sure enough to be turned, why.
    DrawWords(Capitalized(note_.advice.empty() ? note_.reason : note_.advice));
  }

 private:
  void Centered(ImFont* font, float size, const std::string& text, ImU32 color) {
    const ImVec2 extent = font->CalcTextSizeA(size, FLT_MAX, 0.0F, text.c_str());
    draw_.AddText(font, size, ImVec2(area_.corner.x + 0.5F * (area_.size.x - extent.x), y_), color,
                  text.c_str());
    y_ += extent.y;
  }

  // In what is left of the area, smaller where there are many.
  void DrawWords(const std::string& words) {
    const float width = area_.size.x - unit_;
    y_ += 0.1F * unit_;
    float size = 0.32F * unit_;
    std::string text = WrapAtSpaces(t_.fonts.title, size, words, width);
    while (size > t_.fonts.text->FontSize &&
           y_ + t_.fonts.title->CalcTextSizeA(size, FLT_MAX, 0.0F, text.c_str()).y >
               area_.End().y) {
      size *= 0.9F;
      text = WrapAtSpaces(t_.fonts.title, size, words, width);
    }
    draw_.AddText(t_.fonts.title, size, ImVec2(area_.corner.x + 0.5F * unit_, y_), t_.palette.text,
                  text.c_str());
  }

  ImDrawList& draw_ = *ImGui::GetWindowDrawList();
  const Theme& t_;
  ChartQuantity quantity_;
  const NoteMeasurement& note_;
  std::optional<Deviation> deviation_;
  Area area_;
  float unit_;  // the note name's height, px
  float y_;     // where the next line begins
};

}  // namespace

void DrawLargeType(PanelContext& context, const Area& area) {
  ImGui::GetWindowDrawList()->AddRectFilled(area.corner, area.End(), context.theme.palette.panel);
  const Area left = DrawFollowLines(context, area);
  if (const NoteMeasurement* note = context.session.Note()) LargeType(context, *note, left).Draw();
}

}  // namespace tinesight
