#include "record/keyboard_chart.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <optional>
#include <vector>

#include "record/keyboard_axis.hpp"
#include "record/overlay_style.hpp"
#include "record/text_util.hpp"

namespace tinesight {
namespace {

using Eigen::Vector2d;

constexpr double kAxisRoom = 30.0;
constexpr double kPanelTitle = 13.0;
constexpr double kLegendHeight = 26.0;

struct Band {
  double target_mm = 0.0;
  double tolerance_mm = 0.0;
};

// What a panel shows of a note. Without a verdict every mark is a disc, and a note without the
// figure gets none.
struct Figure {
  const char* title;
  std::optional<Measured> NoteMeasurement::*value;
  Verdict (*verdict)(const NoteMeasurement&);
  std::optional<Band> (*band)(const NoteProfile&);
};

const std::array<Figure, 3> kFigures{{
    {"Lateral offset, mm (up in the chart: toward treble)", &NoteMeasurement::lateral_mm,
     [](const NoteMeasurement& note) { return note.lateral_verdict; },
     [](const NoteProfile& note) -> std::optional<Band> {
       return Band{0.0, note.tolerance_lateral_mm};
     }},
    {"Height over the pickup's center, mm (as played)", &NoteMeasurement::height_mm,
     [](const NoteMeasurement& note) { return note.height_verdict; },
     [](const NoteProfile& note) -> std::optional<Band> {
       return Band{note.height_mm, note.tolerance_height_mm};
     }},
    {"Gap between tine and pickup, mm", &NoteMeasurement::gap_mm,
     [](const NoteMeasurement& note) { return note.gap_verdict; },
     [](const NoteProfile& note) -> std::optional<Band> {
       return Band{note.gap_mm, note.tolerance_gap_mm};
     }},
}};

const Figure kDamperLift{"Damper lift, mm (how far the resting damper pushes the tine up)",
                         &NoteMeasurement::damper_lift_mm, nullptr, nullptr};

bool AnyLift(const VisitMeasurement* visit) {
  return visit != nullptr &&
         std::any_of(visit->notes.begin(), visit->notes.end(),
                     [](const NoteMeasurement& note) { return note.damper_lift_mm.has_value(); });
}

// The panels of a chart, from the top.
std::vector<Figure> FiguresOf(const KeyboardChart& chart) {
  std::vector<Figure> figures(kFigures.begin(), kFigures.end());
  if (AnyLift(chart.after) || AnyLift(chart.before)) figures.push_back(kDamperLift);
  return figures;
}

double NiceStep(double range) {
  for (const double step : {0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0}) {
    if (range / step <= 6.0) return step;
  }
  return 10.0;
}

class Panel {
 public:
  Panel(Drawing& drawing, const Rect& box, const Figure& figure, const KeyboardChart& chart,
        const Keyboard& keyboard)
      : drawing_(drawing),
        plot_{keyboard.left, box.top + kPanelTitle, keyboard.Right() - keyboard.left,
              box.height - kPanelTitle - 5.0},
        figure_(figure),
        chart_(chart),
        keyboard_(keyboard) {
    FindRange();
  }

  void Draw() {
    drawing_.Label(figure_.title, {plot_.left, plot_.top - 7.0}, kPanelFont);
    DrawBand();
    DrawGrid();
    const double aside = chart_.before != nullptr ? 0.18 * keyboard_.key : 0.0;
    if (chart_.before != nullptr) {
      DrawSeries(*chart_.before, -aside, MarkFill::kHollow, kMidGray);
    }
    DrawSeries(*chart_.after, aside, MarkFill::kFilled, kBlack);
    drawing_.StrokeBox(plot_, {0.6, kDarkGray, {}});
  }

 private:
  void Include(double value_mm) {
    low_mm_ = std::min(low_mm_, value_mm);
    high_mm_ = std::max(high_mm_, value_mm);
  }

  [[nodiscard]] std::optional<Band> BandOf(int midi) const {
    const NoteProfile* note = chart_.profile != nullptr ? chart_.profile->Find(midi) : nullptr;
    return note != nullptr && figure_.band != nullptr ? figure_.band(*note) : std::nullopt;
  }

  void FindRange() {
    low_mm_ = std::numeric_limits<double>::max();
    high_mm_ = std::numeric_limits<double>::lowest();
    double tolerance_mm = 0.0;
    for (int midi = keyboard_.first; midi <= keyboard_.last; ++midi) {
      const std::optional<Band> band = BandOf(midi);
      if (!band) continue;
      Include(band->target_mm - band->tolerance_mm);
      Include(band->target_mm + band->tolerance_mm);
      tolerance_mm = std::max(tolerance_mm, band->tolerance_mm);
    }
    // One note that is far off must not press all others into a line.
    const double reach_mm = tolerance_mm > 0.0 ? 5.0 * tolerance_mm : 1e3;
    const double lowest_mm = tolerance_mm > 0.0 ? low_mm_ - reach_mm : -reach_mm;
    const double highest_mm = tolerance_mm > 0.0 ? high_mm_ + reach_mm : reach_mm;
    for (const VisitMeasurement* visit : {chart_.before, chart_.after}) {
      if (visit == nullptr) continue;
      for (const NoteMeasurement& note : visit->notes) {
        const auto& figure = note.*figure_.value;
        if (!figure || !std::isfinite(figure->value + figure->expanded_u)) continue;
        Include(std::clamp(figure->value - figure->expanded_u, lowest_mm, highest_mm));
        Include(std::clamp(figure->value + figure->expanded_u, lowest_mm, highest_mm));
      }
    }
    if (!(high_mm_ > low_mm_)) {
      low_mm_ = -1.0;
      high_mm_ = 1.0;
    }
    const double margin_mm = 0.05 * (high_mm_ - low_mm_);
    low_mm_ -= margin_mm;
    high_mm_ += margin_mm;
  }

  [[nodiscard]] double Y(double value_mm) const {
    const double part = (value_mm - low_mm_) / (high_mm_ - low_mm_);
    return plot_.Bottom() - std::clamp(part, 0.0, 1.0) * plot_.height;
  }

  void DrawBand() {
    std::vector<Vector2d> upper;
    std::vector<Vector2d> lower;
    std::vector<Vector2d> target;
    for (int midi = keyboard_.first; midi <= keyboard_.last; ++midi) {
      const std::optional<Band> band = BandOf(midi);
      if (!band) continue;
      for (const double edge : {-0.5, 0.5}) {
        const double x = keyboard_.X(midi) + edge * keyboard_.key;
        upper.emplace_back(x, Y(band->target_mm + band->tolerance_mm));
        lower.emplace_back(x, Y(band->target_mm - band->tolerance_mm));
        target.emplace_back(x, Y(band->target_mm));
      }
    }
    if (upper.empty()) return;
    std::vector<Vector2d> outline = upper;
    outline.insert(outline.end(), lower.rbegin(), lower.rend());
    drawing_.FillPolygon(outline, Rgb(0xDDDDDD));
    drawing_.Polyline(upper, {0.4, kMidGray, {}});
    drawing_.Polyline(lower, {0.4, kMidGray, {}});
    drawing_.Polyline(target, {0.6, kDarkGray, {4.0, 2.0}});
  }

  void DrawGrid() {
    const double step = NiceStep(high_mm_ - low_mm_);
    const int decimals = step < 0.1 ? 2 : 1;
    for (int i = static_cast<int>(std::ceil(low_mm_ / step)); i * step <= high_mm_; ++i) {
      const double y = Y(i * step);
      drawing_.Line({plot_.left - 3.0, y}, {plot_.left, y}, {0.5, kDarkGray, {}});
      drawing_.Line({plot_.left, y}, {plot_.Right(), y}, {0.25, kMidGray, {0.7, 1.8}});
      drawing_.Label(FixedDecimals(i * step, decimals), {plot_.left - 5.0, y}, kTickFont);
    }
    for (int midi = keyboard_.first; midi <= keyboard_.last; ++midi) {
      if (midi % 12 != 0) continue;
      const double x = keyboard_.X(midi) - 0.5 * keyboard_.key;
      drawing_.Line({x, plot_.top}, {x, plot_.Bottom()}, {0.25, kMidGray, {0.7, 1.8}});
    }
  }

  void DrawSeries(const VisitMeasurement& visit, double aside, MarkFill fill, const Color& color) {
    const double radius = std::clamp(0.4 * keyboard_.key, 1.6, 3.4);
    for (const NoteMeasurement& note : visit.notes) {
      const auto& figure = note.*figure_.value;
      if (note.midi < keyboard_.first || note.midi > keyboard_.last) continue;
      const double x = keyboard_.X(note.midi) + aside;
      if (!figure || !std::isfinite(figure->value + figure->expanded_u)) {
        if (figure_.verdict != nullptr) {
          drawing_.Mark(MarkShape::kCross, {x, plot_.Bottom() - 4.0}, radius, color);
        }
        continue;
      }
      drawing_.Line({x, Y(figure->value - figure->expanded_u)},
                    {x, Y(figure->value + figure->expanded_u)}, {0.6, color, {}});
      if (figure->value > high_mm_ || figure->value < low_mm_) {
        DrawBeyond(x, figure->value, color);
        continue;
      }
      const MarkShape shape =
          figure_.verdict != nullptr ? LookOf(figure_.verdict(note)).shape : MarkShape::kDisc;
      drawing_.Mark(shape, {x, Y(figure->value)}, radius, color, fill);
    }
  }

  // An arrow at the edge of the panel, with the value that lies beyond it.
  void DrawBeyond(double x, double value_mm, const Color& color) {
    const bool above = value_mm > high_mm_;
    const double edge = above ? plot_.top + 1.0 : plot_.Bottom() - 1.0;
    const double base = above ? edge + 5.0 : edge - 5.0;
    drawing_.FillPolygon({{x, edge}, {x - 2.6, base}, {x + 2.6, base}}, color);
    Font font = kTickFont;
    const bool left = x > plot_.Center().x();
    font.align = left ? TextAlign::kRight : TextAlign::kLeft;
    drawing_.Label(FixedDecimals(value_mm, 1),
                   {x + (left ? -4.0 : 4.0), above ? edge + 3.5 : edge - 3.5}, font);
  }

  Drawing& drawing_;
  Rect plot_;
  const Figure& figure_;
  const KeyboardChart& chart_;
  const Keyboard& keyboard_;
  double low_mm_ = 0.0;
  double high_mm_ = 0.0;
};

void DrawLegend(Drawing& drawing, const Rect& box, const KeyboardChart& chart) {
  ChartLegend legend(drawing, box);
  if (chart.before != nullptr) {
    legend.Shape(MarkShape::kDisc, MarkFill::kHollow, kMidGray, chart.before_name + " (hollow)");
    legend.Shape(MarkShape::kDisc, MarkFill::kFilled, kBlack, chart.after_name + " (filled)");
  }
  legend.Shape(MarkShape::kDisc, MarkFill::kFilled, kBlack, "centered, in range");
  legend.Shape(MarkShape::kDiamond, MarkFill::kFilled, kBlack, "re-center, adjust");
  legend.Shape(MarkShape::kTriangle, MarkFill::kFilled, kBlack, "uncertain");
  legend.Shape(MarkShape::kCross, MarkFill::kFilled, kBlack, "not measured");
  legend.Swatch("target and tolerance");
  legend.Bar("± U (k = 2)");
}

Keyboard KeyboardOf(const KeyboardChart& chart, const Rect& box) {
  Keyboard keyboard;
  if (chart.profile != nullptr && !chart.profile->notes.empty()) {
    keyboard.first = chart.profile->FirstMidi();
    keyboard.last = chart.profile->LastMidi();
  } else {
    keyboard.first = 127;
    for (const VisitMeasurement* visit : {chart.before, chart.after}) {
      if (visit == nullptr || visit->notes.empty()) continue;
      keyboard.first = std::min(keyboard.first, visit->notes.front().midi);
      keyboard.last = std::max(keyboard.last, visit->notes.back().midi);
    }
    keyboard.last = std::max(keyboard.last, keyboard.first);
  }
  keyboard.left = box.left + kAxisRoom;
  keyboard.key = (box.width - kAxisRoom) / (keyboard.last - keyboard.first + 1);
  return keyboard;
}

}  // namespace

void DrawKeyboardChart(Drawing& drawing, const Rect& box, const KeyboardChart& chart) {
  const Keyboard keyboard = KeyboardOf(chart, box);
  const double panels_height = box.height - kLegendHeight - kKeyboardHeight - kKeyNames;
  const std::vector<Figure> figures = FiguresOf(chart);
  const double panel_height = panels_height / static_cast<double>(figures.size());
  double top = box.top;
  for (const Figure& figure : figures) {
    Panel(drawing, {box.left, top, box.width, panel_height}, figure, chart, keyboard).Draw();
    top += panel_height;
  }
  DrawKeyboard(drawing, keyboard, top);
  DrawLegend(drawing,
             {keyboard.left, top + kKeyboardHeight + kKeyNames + 2.0, box.Right() - keyboard.left,
              kLegendHeight},
             chart);
}

}  // namespace tinesight
