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
    for (const NoteEvenness& note : chart_.notes) NameNote(note);
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

  [[nodiscard]] Vector2d At(const NoteEvenness& note) const {
    return {keyboard_.X(note.midi), panel_.Y((note.*figure_.of).figure.value)};
  }

  void DrawNote(const NoteEvenness& note) {
    const EvennessFigure& figure = note.*figure_.of;
    const double radius = std::clamp(0.4 * keyboard_.key, 1.6, 3.4);
    const Vector2d at = At(note);
    drawing_.Line({at.x(), panel_.Y(figure.figure.low)}, {at.x(), panel_.Y(figure.figure.high)},
                  {0.5, kMidGray, {}});
    drawing_.Mark(ShapeOf(note.heard), at, radius, kBlack, FillOf(note.heard));
    taken_.push_back({at.x() - radius, at.y() - radius, 2.0 * radius, 2.0 * radius});
  }

  /// The name where this figure is what makes the note stick out: above or below its mark, beside
  /// it, or further off, where it is inside of the panel and over no mark or other name. Left out
  /// where there is no such place; the text has every note.
  void NameNote(const NoteEvenness& note) {
    const EvennessFigure& figure = note.*figure_.of;
    if (note.heard < ToneHeard::kProbably || std::abs(figure.Deviation()) <= figure_.audible_db) {
      return;
    }
    constexpr double kHeight = 7.0;
    const Rect& plot = panel_.Plot();
    const double width = drawing_.LabelWidth(note.name, kNameFont) + 1.0;
    const double away = figure.Deviation() > 0.0 ? -7.0 : 7.0;
    const double aside = 0.5 * width + 4.0;
    const Vector2d mark = At(note);
    for (const Vector2d& off :
         {Vector2d(0.0, away), Vector2d(0.0, -away), Vector2d(aside, 0.0), Vector2d(-aside, 0.0),
          Vector2d(0.0, 2.2 * away), Vector2d(0.0, -2.2 * away)}) {
      const double x = std::clamp(mark.x() + off.x(), plot.left + 0.5 * width + 1.0,
                                  plot.Right() - 0.5 * width - 1.0);
      const double y = mark.y() + off.y();
      if (y < plot.top + 4.0 || y > plot.Bottom() - 4.0) continue;
      const Rect box{x - 0.5 * width, y - 0.5 * kHeight, width, kHeight};
      const bool taken = std::any_of(taken_.begin(), taken_.end(), [&](const Rect& other) {
        return box.left < other.Right() && other.left < box.Right() && box.top < other.Bottom() &&
               other.top < box.Bottom();
      });
      if (taken) continue;
      taken_.push_back(box);
      drawing_.Label(note.name, {x, y}, kNameFont);
      return;
    }
  }

  Drawing& drawing_;
  ChartPanel panel_;
  const Figure& figure_;
  const EvennessChart& chart_;
  const Keyboard& keyboard_;
  std::vector<Rect> taken_;  // where marks and names stand already
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
      {{"Predicted level, dB (up: louder; 0: a tine that stands as it should)",
        &NoteEvenness::level, chart.audible_level_db},
       {"Predicted brightness: the octave against the note itself, dB as heard (up: brighter)",
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
