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
        panel_(drawing, box, keyboard),
        figure_(figure),
        chart_(chart),
        keyboard_(keyboard) {
    FindRange();
  }

  void Draw() {
    panel_.DrawTitle(figure_.title);
    DrawBand();
    const double step = NiceStep(panel_.High() - panel_.Low());
    panel_.DrawGrid(step, step < 0.1 ? 2 : 1, true);
    const double aside = chart_.before != nullptr ? 0.18 * keyboard_.key : 0.0;
    if (chart_.before != nullptr) {
      DrawSeries(*chart_.before, -aside, MarkFill::kHollow, kMidGray);
    }
    DrawSeries(*chart_.after, aside, MarkFill::kFilled, kBlack);
    panel_.DrawOutline();
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
    panel_.SetRange(low_mm_ - margin_mm, high_mm_ + margin_mm);
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
        upper.emplace_back(x, panel_.Y(band->target_mm + band->tolerance_mm));
        lower.emplace_back(x, panel_.Y(band->target_mm - band->tolerance_mm));
        target.emplace_back(x, panel_.Y(band->target_mm));
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

  void DrawSeries(const VisitMeasurement& visit, double aside, MarkFill fill, const Color& color) {
    const double radius = std::clamp(0.4 * keyboard_.key, 1.6, 3.4);
    for (const NoteMeasurement& note : visit.notes) {
      const auto& figure = note.*figure_.value;
      if (note.midi < keyboard_.first || note.midi > keyboard_.last) continue;
      const double x = keyboard_.X(note.midi) + aside;
      if (!figure || !std::isfinite(figure->value + figure->expanded_u)) {
        if (figure_.verdict != nullptr) {
          drawing_.Mark(MarkShape::kCross, {x, panel_.Plot().Bottom() - 4.0}, radius, color);
        }
        continue;
      }
      drawing_.Line({x, panel_.Y(figure->value - figure->expanded_u)},
                    {x, panel_.Y(figure->value + figure->expanded_u)}, {0.6, color, {}});
      if (figure->value > panel_.High() || figure->value < panel_.Low()) {
        DrawBeyond(x, figure->value, color);
        continue;
      }
      const MarkShape shape =
          figure_.verdict != nullptr ? LookOf(figure_.verdict(note)).shape : MarkShape::kDisc;
      drawing_.Mark(shape, {x, panel_.Y(figure->value)}, radius, color, fill);
    }
  }

  // An arrow at the edge of the panel, with the value that lies beyond it.
  void DrawBeyond(double x, double value_mm, const Color& color) {
    const bool above = value_mm > panel_.High();
    const double edge = above ? panel_.Plot().top + 1.0 : panel_.Plot().Bottom() - 1.0;
    const double base = above ? edge + 5.0 : edge - 5.0;
    drawing_.FillPolygon({{x, edge}, {x - 2.6, base}, {x + 2.6, base}}, color);
    Font font = kTickFont;
    const bool left = x > panel_.Plot().Center().x();
    font.align = left ? TextAlign::kRight : TextAlign::kLeft;
    drawing_.Label(FixedDecimals(value_mm, 1),
                   {x + (left ? -4.0 : 4.0), above ? edge + 3.5 : edge - 3.5}, font);
  }

  Drawing& drawing_;
  ChartPanel panel_;
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
  const double panels_height = box.height - kChartLegendHeight - kKeyboardHeight - kKeyNames;
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
              kChartLegendHeight},
             chart);
}

}  // namespace tinesight
