#include "record/tone_chart.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <string>
#include <vector>

#include "record/keyboard_axis.hpp"
#include "record/text_util.hpp"

namespace tinesight {
namespace {

using Eigen::Vector2d;

constexpr double kReachDb = 15.0;  // beyond the band; figures farther off stand at the edge

const Font kNameFont{6.5, true, false, kBlack, TextAlign::kCenter};

MarkShape ShapeOf(ToneHeard heard) {
  switch (heard) {
    case ToneHeard::kYes:
      return MarkShape::kDiamond;
    case ToneHeard::kProbably:
    case ToneHeard::kProbablyNot:
      return MarkShape::kTriangle;
    case ToneHeard::kNo:
      break;
  }
  return MarkShape::kDisc;
}

MarkFill FillOf(ToneHeard heard) {
  return heard == ToneHeard::kProbablyNot ? MarkFill::kHollow : MarkFill::kFilled;
}

struct Figure {
  const char* title;
  EvennessFigure NoteEvenness::*of;
  double audible_db;
};

class Panel {
 public:
  Panel(Drawing& drawing, const Rect& box, const Figure& figure, const EvennessChart& chart,
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
    for (const NoteEvenness& note : chart_.notes) DrawBand(note);
    const double range = panel_.High() - panel_.Low();
    panel_.DrawGrid(range > 25.0 ? 10.0 : range > 12.0 ? 5.0 : 2.0, 0, false);
    for (const NoteEvenness& note : chart_.notes) DrawNote(note);
    panel_.DrawOutline();
  }

 private:
  void FindRange() {
    double lowest_trend = 0.0, highest_trend = 0.0, lowest = 0.0, highest = 0.0;
    bool first = true;
    for (const NoteEvenness& note : chart_.notes) {
      const EvennessFigure& figure = note.*figure_.of;
      lowest_trend = first ? figure.trend_db : std::min(lowest_trend, figure.trend_db);
      highest_trend = first ? figure.trend_db : std::max(highest_trend, figure.trend_db);
      lowest = first ? figure.figure.low : std::min(lowest, figure.figure.low);
      highest = first ? figure.figure.high : std::max(highest, figure.figure.high);
      first = false;
    }
    panel_.SetRange(
        std::clamp(lowest, lowest_trend - kReachDb, lowest_trend - figure_.audible_db) - 1.0,
        std::clamp(highest, highest_trend + figure_.audible_db, highest_trend + kReachDb) + 1.0);
  }

  void DrawBand(const NoteEvenness& note) {
    const EvennessFigure& figure = note.*figure_.of;
    const double left = keyboard_.X(note.midi) - 0.5 * keyboard_.key;
    const double top = panel_.Y(figure.trend_db + figure_.audible_db);
    const double bottom = panel_.Y(figure.trend_db - figure_.audible_db);
    drawing_.FillBox({left, top, keyboard_.key, bottom - top}, Rgb(0xDDDDDD));
    const double middle = panel_.Y(figure.trend_db);
    drawing_.Line({left, middle}, {left + keyboard_.key, middle}, {0.6, kDarkGray, {4.0, 2.0}});
  }

  void DrawNote(const NoteEvenness& note) {
    const EvennessFigure& figure = note.*figure_.of;
    const double radius = std::clamp(0.4 * keyboard_.key, 1.6, 3.4);
    const double x = keyboard_.X(note.midi);
    const double y = panel_.Y(figure.figure.value);
    drawing_.Line({x, panel_.Y(figure.figure.low)}, {x, panel_.Y(figure.figure.high)},
                  {0.5, kMidGray, {}});
    drawing_.Mark(ShapeOf(note.heard), {x, y}, radius, kBlack, FillOf(note.heard));
    // The name where this figure is what makes the note stick out; outside of the mark, inside of
    // the panel.
    if (note.heard < ToneHeard::kProbably || std::abs(figure.Deviation()) <= figure_.audible_db) {
      return;
    }
    PlaceName(note.name, {x, y}, figure.Deviation() > 0.0 ? -7.0 : 7.0);
  }

  /// Writes a name `away` from a mark, on its other side, or further off: where it is inside of the
  /// panel and over no other name. Left out where there is no such place; the table has every note.
  void PlaceName(const std::string& name, const Eigen::Vector2d& mark, double away) {
    const double width = drawing_.LabelWidth(name, kNameFont) + 1.0;
    constexpr double kHeight = 8.0;
    for (const double offset : {away, -away, 2.2 * away, -2.2 * away}) {
      const double y = mark.y() + offset;
      if (y < panel_.Plot().top + 4.0 || y > panel_.Plot().Bottom() - 4.0) continue;
      const Rect box{mark.x() - 0.5 * width, y - 0.5 * kHeight, width, kHeight};
      const bool taken = std::any_of(names_.begin(), names_.end(), [&](const Rect& other) {
        return box.left < other.Right() && other.left < box.Right() && box.top < other.Bottom() &&
               other.top < box.Bottom();
      });
      if (taken) continue;
      names_.push_back(box);
      drawing_.Label(name, {mark.x(), y}, kNameFont);
      return;
    }
  }

  Drawing& drawing_;
  ChartPanel panel_;
  const Figure& figure_;
  const EvennessChart& chart_;
  const Keyboard& keyboard_;
  std::vector<Rect> names_;  // where names stand already
};

void DrawLegend(Drawing& drawing, const Rect& box) {
  ChartLegend legend(drawing, box);
  legend.Shape(MarkShape::kDiamond, MarkFill::kFilled, kBlack, "sticks out");
  legend.Shape(MarkShape::kTriangle, MarkFill::kFilled, kBlack, "probably sticks out");
  legend.Shape(MarkShape::kTriangle, MarkFill::kHollow, kBlack, "probably blends in");
  legend.Shape(MarkShape::kDisc, MarkFill::kFilled, kBlack, "blends in");
  legend.Swatch("the neighbors' line, and what is not heard beside it");
  legend.Bar("95 % interval");
}

}  // namespace

void DrawToneChart(Drawing& drawing, const Rect& box, const EvennessChart& chart, int first_midi,
                   int last_midi) {
  Keyboard keyboard;
  keyboard.first = first_midi;
  keyboard.last = last_midi;
  keyboard.left = box.left + kAxisRoom;
  keyboard.key = (box.width - kAxisRoom) / (last_midi - first_midi + 1);
  const std::array<Figure, 2> figures{
      {{"Predicted level, dB (0: at the profile's height and gap, centered)", &NoteEvenness::level,
        chart.audible_level_db},
       {"Predicted octave against the fundamental, dB as heard (up: brighter)",
        &NoteEvenness::octave, chart.audible_octave_db}}};
  const double panel_height =
      (box.height - kChartLegendHeight - kKeyboardHeight - kKeyNames) / figures.size();
  double top = box.top;
  for (const Figure& figure : figures) {
    Panel(drawing, {box.left, top, box.width, panel_height}, figure, chart, keyboard).Draw();
    top += panel_height;
  }
  DrawKeyboard(drawing, keyboard, top);
  DrawLegend(drawing, {keyboard.left, top + kKeyboardHeight + kKeyNames + 2.0,
                       box.Right() - keyboard.left, kChartLegendHeight});
}

}  // namespace tinesight
