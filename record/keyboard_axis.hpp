#pragma once

// For record/ alone: what charts over the keyboard share.
#include <string>

#include "record/drawing.hpp"

namespace tinesight {

inline const Font kTickFont{6.5, false, false, kDarkGray, TextAlign::kRight};
inline const Font kPanelFont{8.5, true, false, kBlack, TextAlign::kLeft};
inline const Font kLegendFont{7.5, false, false, kBlack, TextAlign::kLeft};
inline constexpr double kKeyboardHeight = 20.0;
inline constexpr double kKeyNames = 10.0;
inline constexpr double kAxisRoom = 30.0;  ///< left of the keys, for the panels' numbers
inline constexpr double kChartLegendHeight = 26.0;

/// MIDI notes that a chart spans, and where they are.
struct Keyboard {
  int first = 0;
  int last = 0;
  double left = 0.0;
  double key = 1.0;  ///< width of a key

  [[nodiscard]] double X(int midi) const { return left + (midi - first + 0.5) * key; }
  [[nodiscard]] double Right() const { return left + (last - first + 1) * key; }
};

/// One of the panels of a chart, a quantity over the keyboard: title, scale and grid.
class ChartPanel {
 public:
  /// `box` holds its title too; left of the keys stand the scale's numbers.
  ChartPanel(Drawing& drawing, const Rect& box, const Keyboard& keyboard);

  void SetRange(double low, double high);
  [[nodiscard]] double Low() const { return low_; }
  [[nodiscard]] double High() const { return high_; }
  [[nodiscard]] const Rect& Plot() const { return plot_; }
  /// Where a value stands; one beyond the range at the edge.
  [[nodiscard]] double Y(double value) const;

  void DrawTitle(const std::string& title);
  /// A line or, without `across`, only a tick at every `step`; dotted lines where octaves begin.
  void DrawGrid(double step, int decimals, bool across);
  void DrawOutline();

 private:
  Drawing& drawing_;
  const Keyboard& keyboard_;
  Rect plot_;
  double low_ = 0.0;
  double high_ = 1.0;
};

/// The keys, from `top` down, kKeyboardHeight high, and below them, kKeyNames high, some names.
void DrawKeyboard(Drawing& drawing, const Keyboard& keyboard, double top);

/// Entries from left to right, in lines.
class ChartLegend {
 public:
  ChartLegend(Drawing& drawing, const Rect& box) : drawing_(drawing), box_(box), x_(box.left) {}

  void Shape(MarkShape shape, MarkFill fill, const Color& color, const std::string& text) {
    Flow(12.0 + drawing_.LabelWidth(text, kLegendFont));
    drawing_.Mark(shape, {x_ + 4.0, y_}, 3.4, color, fill);
    Words(12.0, text);
  }
  void Swatch(const std::string& text) {
    Flow(20.0 + drawing_.LabelWidth(text, kLegendFont));
    drawing_.FillBox({x_, y_ - 3.5, 16.0, 7.0}, Rgb(0xDDDDDD));
    drawing_.Line({x_, y_}, {x_ + 16.0, y_}, {0.6, kDarkGray, {4.0, 2.0}});
    Words(20.0, text);
  }
  void Bar(const std::string& text) {
    Flow(8.0 + drawing_.LabelWidth(text, kLegendFont));
    drawing_.Line({x_ + 3.0, y_ - 4.5}, {x_ + 3.0, y_ + 4.5}, {0.6, kBlack, {}});
    Words(8.0, text);
  }

 private:
  void Flow(double width) {
    if (x_ + width <= box_.Right() || x_ <= box_.left) return;
    x_ = box_.left;
    y_ += 12.0;
  }
  void Words(double after, const std::string& text) {
    drawing_.Label(text, {x_ + after, y_}, kLegendFont);
    x_ += after + drawing_.LabelWidth(text, kLegendFont) + 12.0;
  }

  Drawing& drawing_;
  Rect box_;
  double x_;
  double y_ = box_.top + 6.0;
};

}  // namespace tinesight
