#include "record/keyboard_axis.hpp"

#include <algorithm>
#include <cmath>

#include "alignment/note_name.hpp"
#include "record/text_util.hpp"

namespace tinesight {
namespace {

constexpr double kPanelTitle = 13.0;

bool IsBlackKey(int midi) {
  const int key = midi % 12;
  return key == 1 || key == 3 || key == 6 || key == 8 || key == 10;
}

}  // namespace

ChartPanel::ChartPanel(Drawing& drawing, const Rect& box, const Keyboard& keyboard)
    : drawing_(drawing),
      keyboard_(keyboard),
      plot_{keyboard.left, box.top + kPanelTitle, keyboard.Right() - keyboard.left,
            box.height - kPanelTitle - 5.0} {}

void ChartPanel::SetRange(double low, double high) {
  low_ = low;
  high_ = high;
}

double ChartPanel::Y(double value) const {
  const double part = std::clamp((value - low_) / (high_ - low_), 0.0, 1.0);
  return plot_.Bottom() - part * plot_.height;
}

void ChartPanel::DrawTitle(const std::string& title) {
  drawing_.Label(title, {plot_.left, plot_.top - 7.0}, kPanelFont);
}

void ChartPanel::DrawGrid(double step, int decimals, bool across) {
  const Stroke dotted{0.25, kMidGray, {0.7, 1.8}};
  for (int i = static_cast<int>(std::ceil(low_ / step)); i * step <= high_; ++i) {
    const double y = Y(i * step);
    drawing_.Line({plot_.left - 3.0, y}, {plot_.left, y}, {0.5, kDarkGray, {}});
    if (across) drawing_.Line({plot_.left, y}, {plot_.Right(), y}, dotted);
    drawing_.Label(FixedDecimals(i * step, decimals), {plot_.left - 5.0, y}, kTickFont);
  }
  for (int midi = keyboard_.first; midi <= keyboard_.last; ++midi) {
    if (midi % 12 != 0) continue;
    const double x = keyboard_.X(midi) - 0.5 * keyboard_.key;
    drawing_.Line({x, plot_.top}, {x, plot_.Bottom()}, dotted);
  }
}

void ChartPanel::DrawOutline() { drawing_.StrokeBox(plot_, {0.6, kDarkGray, {}}); }

void DrawKeyboard(Drawing& drawing, const Keyboard& keyboard, double top) {
  for (int midi = keyboard.first; midi <= keyboard.last; ++midi) {
    const Rect key{keyboard.X(midi) - 0.5 * keyboard.key, top, keyboard.key,
                   IsBlackKey(midi) ? 0.62 * kKeyboardHeight : kKeyboardHeight};
    drawing.FillBox(key, IsBlackKey(midi) ? kBlack : kWhite);
    drawing.StrokeBox(key, {0.4, kDarkGray, {}});
    Font font = kTickFont;
    font.align = TextAlign::kCenter;
    const bool end = midi == keyboard.first || midi == keyboard.last;
    // A name beside the first or last key's would run into it.
    const bool near_end = midi - keyboard.first < 3 || keyboard.last - midi < 3;
    if (end || (midi % 12 == 0 && !near_end)) {
      drawing.Label(NoteName(midi), {keyboard.X(midi), top + kKeyboardHeight + 5.5}, font);
    }
  }
  drawing.StrokeBox({keyboard.left, top, keyboard.Right() - keyboard.left, kKeyboardHeight},
                    {0.5, kDarkGray, {}});
}

}  // namespace tinesight
