#include "calibration/strips_guide.hpp"

#include <cmath>
#include <string>

#include "calibration/angle.hpp"

namespace tinesight {
namespace {

constexpr double kColumnGapMm = 8.0;
constexpr TextStyle kHeading{.size_mm = 3.4, .bold = true};
constexpr TextStyle kBody{.size_mm = 2.9};
constexpr TextStyle kCommand{.size_mm = 2.6, .monospace = true};
constexpr TextStyle kLabel{.size_mm = 2.6};
constexpr TextStyle kFine{.size_mm = 2.3};

/// Writes headed paragraphs down a column.
class Column {
 public:
  Column(PdfCanvas& canvas, double x_mm, double y_mm, double width_mm)
      : canvas_(canvas), x_mm_(x_mm), y_mm_(y_mm), width_mm_(width_mm) {}

  void Heading(const std::string& text) {
    canvas_.Text(x_mm_, y_mm_, text, kHeading);
    y_mm_ += 4.3;
  }
  void Body(const std::string& text, const TextStyle& style = kBody) {
    y_mm_ = canvas_.Paragraph(x_mm_, y_mm_, width_mm_, text, style) + 0.4;
  }
  void Gap() { y_mm_ += 1.8; }

 private:
  PdfCanvas& canvas_;
  double x_mm_;
  double y_mm_;
  double width_mm_;
};

void WriteLeftColumn(Column column) {
  column.Heading("1  Print");
  column.Body(
      "All pages on plain white matte paper, one side, at 100 % (\"actual size\"). Turn off \"fit "
      "to page\", \"shrink\" and \"borderless\". No gloss, no laminate: they mirror the lamp.");
  column.Gap();
  column.Heading("2  Measure both check lines");
  column.Body(
      "Let the sheets cool and lie for ten minutes. On the sheet with the strips, measure both "
      "100 mm check lines with a caliper to 0.05 mm, from the center of one end mark to the center "
      "of the other. \"Along\" is the direction of the strips, the long side of the sheet; "
      "\"across\" is the short side. Then run again with your readings, for example:");
  column.Body(
      "tinesight strips --rig rig_nominal.json --measured-along 99.60 --measured-across 99.80",
      kCommand);
  column.Body(
      "Under 95 mm or over 105 mm the printer has scaled the page: print again. Without readings "
      "the rig file allows for 0.5 % of scale, which is 0.9 mm at the ends of a strip.");
  column.Gap();
  column.Heading("Cautions");
  column.Body("Mains voltage: pull the mains plug before you open the instrument.");
  column.Body("Heavy harp: set it on its props, and try them, before your hands go under it.");
  column.Body("Springs are under tension: wear eye protection when you loosen screws.");
}

void WriteRightColumn(Column column, int pieces_per_strip) {
  column.Heading("3  Cut and join");
  std::string join =
      "Cut out every piece on its gray outline, with a knife and a steel ruler. Keep the hatched "
      "glue tab. ";
  if (pieces_per_strip > 1) {
    join += "A strip has " + std::to_string(pieces_per_strip) +
            " pieces: glue the next one on the tab, its cut edge on the line that the two arrows "
            "point at, upper and lower edges in one line. Check the joint with the caliper: from "
            "the left edge of the last tag before it to the left edge of the first tag after it, "
            "18.0 mm, to 0.1 mm.";
  }
  column.Body(join);
  column.Gap();
  column.Heading("4  Glue to the bars");
  column.Body(
      "Two flat, stiff bars, 18 mm high and 370 mm long or more. Use double-sided tape or spray "
      "adhesive; wet glue stretches paper. Fix the bars in the rig as drawn below: parallel, both "
      "strips upright and facing the phone, bass end toward bass, their ends in line.");
  column.Body(
      "A few millimeters do not matter: \"tinesight calibrate\" measures the rig as you built it. "
      "After that, nothing on it may move.");
  column.Gap();
  column.Heading("5  Hang a register card");
  column.Body(
      "It tells which notes a photo shows. Take the card of any note in view, fold its flap behind "
      "the pickup bar and tape it there, so that the tag hangs just under the strip, straight over "
      "the pickup of that note and facing the phone. It must not cover any of the strip.");
}

/// A side view in the rig frame, seen from the treble side: z to the right, y down.
class SideView {
 public:
  SideView(PdfCanvas& canvas, double origin_x_mm, double origin_y_mm, double scale)
      : canvas_(canvas), x_mm_(origin_x_mm), y_mm_(origin_y_mm), scale_(scale) {}

  [[nodiscard]] double X(double z_mm) const { return x_mm_ + scale_ * z_mm; }
  [[nodiscard]] double Y(double y_mm) const { return y_mm_ + scale_ * y_mm; }
  void Box(double z_mm, double y_mm, double length_mm, double height_mm, double gray) {
    const RectangleMm box{X(z_mm), Y(y_mm), scale_ * length_mm, scale_ * height_mm};
    canvas_.FillRectangle(box, gray);
  }
  void Line(double z0_mm, double y0_mm, double z1_mm, double y1_mm, double line_mm, double gray) {
    canvas_.Line(X(z0_mm), Y(y0_mm), X(z1_mm), Y(y1_mm), line_mm, gray);
  }
  /// A dimension between two places, arrow heads at both ends.
  void Dimension(double z0_mm, double y0_mm, double z1_mm, double y1_mm) {
    const double zm_mm = 0.5 * (z0_mm + z1_mm);
    const double ym_mm = 0.5 * (y0_mm + y1_mm);
    canvas_.Arrow(X(zm_mm), Y(ym_mm), X(z0_mm), Y(y0_mm), 0.12);
    canvas_.Arrow(X(zm_mm), Y(ym_mm), X(z1_mm), Y(y1_mm), 0.12);
  }

 private:
  PdfCanvas& canvas_;
  double x_mm_;
  double y_mm_;
  double scale_;
};

std::string Millimeters(double value_mm) {
  return std::to_string(static_cast<int>(std::lround(std::abs(value_mm)))) + " mm";
}

void DrawBar(SideView& view, const StripBar& bar) {
  constexpr double kBarThicknessMm = 8.0;
  view.Box(bar.z_mm, bar.y_mm - 0.5 * kStripHeightMm, kBarThicknessMm, kStripHeightMm, 0.75);
  view.Box(bar.z_mm - 2.0, bar.y_mm - 0.5 * kStripHeightMm, 2.0, kStripHeightMm, 0.0);
}

void DrawInstrument(PdfCanvas& canvas, SideView& view) {
  view.Box(-160.0, 6.0, 80.0, 7.0, 0.8);     // tone bar
  view.Box(-160.0, -4.0, 14.0, 10.0, 0.55);  // block
  view.Line(-146.0, 0.0, -2.0, 0.0, 0.5, 0.35);
  view.Box(0.0, -7.0, 20.0, 14.0, 0.7);
  canvas.Text(view.X(-120.0), view.Y(0.0) - 1.4, "tine", kLabel);
  canvas.Text(view.X(-78.0), view.Y(12.0), "tone bar", kLabel);
  TextStyle right = kLabel;
  right.anchor = TextAnchor::kRight;
  canvas.Text(view.X(20.0), view.Y(-10.0), "pickup", right);
}

void DrawPhone(PdfCanvas& canvas, SideView& view) {
  constexpr double kDistanceMm = 160.0;  // drawn nearer than it stands, to save paper
  const double slope = std::tan(15.0 * kRadPerDeg);
  const double z_mm = kMountBar.z_mm - kDistanceMm;
  const double y_mm = z_mm * slope;
  view.Line(z_mm, y_mm, kMountBar.z_mm - 2.0, kMountBar.y_mm, 0.1, 0.6);
  view.Line(z_mm, y_mm, kPickupBar.z_mm - 2.0, kPickupBar.y_mm, 0.1, 0.6);
  view.Box(z_mm - 8.0, y_mm - 26.0, 8.0, 52.0, 0.2);
  canvas.Text(view.X(z_mm) + 2.0, view.Y(y_mm) - 5.2, "phone", kLabel);
  canvas.Text(view.X(z_mm) + 2.0, view.Y(y_mm) - 1.8,
              "about 220 mm from the mount bar, 15\u00b0 above the tines, 25\u00b0 to 30\u00b0 in "
              "the top octaves",
              kFine);
}

void DrawDimensions(PdfCanvas& canvas, SideView& view) {
  const double below_mm = 48.0;
  view.Line(0.0, 8.0, 0.0, below_mm + 4.0, 0.1, 0.5);
  view.Line(kMountBar.z_mm, kMountBar.y_mm + 10.0, kMountBar.z_mm, below_mm + 4.0, 0.1, 0.5);
  view.Line(kPickupBar.z_mm, kPickupBar.y_mm + 10.0, kPickupBar.z_mm, below_mm + 4.0, 0.1, 0.5);
  view.Dimension(kMountBar.z_mm, below_mm, 0.0, below_mm);
  view.Dimension(0.0, below_mm, kPickupBar.z_mm, below_mm);
  TextStyle centered = kFine;
  centered.anchor = TextAnchor::kCenter;
  canvas.Text(view.X(0.5 * kMountBar.z_mm), view.Y(below_mm) - 1.0,
              Millimeters(kMountBar.z_mm) + " to the pickups' faces", centered);
  canvas.Text(view.X(kPickupBar.z_mm) + 1.5, view.Y(below_mm) + 0.9,
              Millimeters(kPickupBar.z_mm) + " behind the pickups' faces", kFine);

  const double left_mm = kMountBar.z_mm - 14.0;
  view.Line(-146.0, 0.0, left_mm - 4.0, 0.0, 0.1, 0.5);
  view.Dimension(left_mm, 0.0, left_mm, kMountBar.y_mm);
  TextStyle right = kFine;
  right.anchor = TextAnchor::kRight;
  canvas.Text(view.X(left_mm) - 1.5, view.Y(kMountBar.y_mm) + 3.0, "mount bar: middle of the strip",
              right);
  canvas.Text(view.X(left_mm) - 1.5, view.Y(kMountBar.y_mm) + 6.0,
              Millimeters(kMountBar.y_mm) + " below the tines", right);

  const double right_mm = kPickupBar.z_mm + 22.0;
  view.Line(20.0, 0.0, right_mm + 4.0, 0.0, 0.1, 0.5);
  view.Line(kPickupBar.z_mm + 8.0, kPickupBar.y_mm, right_mm + 4.0, kPickupBar.y_mm, 0.1, 0.5);
  view.Dimension(right_mm, 0.0, right_mm, kPickupBar.y_mm);
  canvas.Text(view.X(right_mm) + 2.5, view.Y(kPickupBar.y_mm) + 0.8,
              "pickup bar: middle of the strip", kFine);
  canvas.Text(view.X(right_mm) + 2.5, view.Y(kPickupBar.y_mm) + 3.8,
              Millimeters(kPickupBar.y_mm) + " above the tines", kFine);
}

}  // namespace

void DrawGuide(PdfCanvas& canvas, const RectangleMm& body, int pieces_per_strip) {
  const double column_mm = 0.5 * (body.width_mm - kColumnGapMm);
  WriteLeftColumn(Column(canvas, body.x_mm, body.y_mm + 2.0, column_mm));
  WriteRightColumn(Column(canvas, body.x_mm + column_mm + kColumnGapMm, body.y_mm + 2.0, column_mm),
                   pieces_per_strip);

  constexpr double kScale = 0.34;
  const double bottom_mm = body.y_mm + body.height_mm;
  SideView view(canvas, body.x_mm + 150.0, bottom_mm - 20.0, kScale);
  canvas.Text(body.x_mm, bottom_mm - 66.0,
              "Where the bars go: from the treble side, harp swung up, tines toward the phone",
              {.size_mm = 2.9, .bold = true});
  DrawInstrument(canvas, view);
  DrawBar(view, kPickupBar);
  DrawBar(view, kMountBar);
  DrawPhone(canvas, view);
  DrawDimensions(canvas, view);
}

}  // namespace tinesight
