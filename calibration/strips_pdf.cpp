#include "calibration/strips_pdf.hpp"

#include <algorithm>
#include <span>

#include "calibration/file_io.hpp"
#include "calibration/pdf_canvas.hpp"
#include "calibration/rig.hpp"
#include "calibration/strips.hpp"
#include "calibration/strips_guide.hpp"

namespace tinesight {
namespace {

constexpr double kMarginMm = 10.0;       // printers leave up to 6 mm white
constexpr double kCheckColumnMm = 24.0;  // right of the body: the check line across
constexpr double kBodyTopMm = 24.0;
constexpr double kBodyBottomMm = 32.0;  // above the lower edge: the check line along, footer
constexpr double kGlueTabMm = 10.0;
constexpr double kHairlineMm = 0.15;
constexpr double kGuideGray = 0.6;  // outlines that the knife follows

struct SheetSize {
  double width_mm;
  double height_mm;
  const char* name;
};

SheetSize SizeOf(PaperSize paper) {
  return paper == PaperSize::kA4 ? SheetSize{297.0, 210.0, "A4"}
                                 : SheetSize{279.4, 215.9, "US Letter"};
}

RectangleMm BodyOf(const SheetSize& sheet) {
  return {kMarginMm, kBodyTopMm, sheet.width_mm - 2.0 * kMarginMm - kCheckColumnMm,
          sheet.height_mm - kBodyTopMm - kBodyBottomMm};
}

void DrawCheckLines(PdfCanvas& canvas, const SheetSize& sheet) {
  constexpr double kTickMm = 3.0;
  const double y_mm = sheet.height_mm - 20.0;
  const double x0_mm = kMarginMm + 1.0;
  const double x1_mm = x0_mm + kCheckLineMm;
  canvas.Line(x0_mm, y_mm, x1_mm, y_mm, kHairlineMm);
  canvas.Line(x0_mm, y_mm - kTickMm, x0_mm, y_mm + kTickMm, kHairlineMm);
  canvas.Line(x1_mm, y_mm - kTickMm, x1_mm, y_mm + kTickMm, kHairlineMm);
  const TextStyle bold{.size_mm = 3.0, .bold = true};
  const TextStyle plain{.size_mm = 2.7};
  canvas.Text(x1_mm + 5.0, y_mm - 0.6, "ALONG the strip: 100 mm", bold);
  canvas.Text(x1_mm + 5.0, y_mm + 3.2,
              "center of end mark to center of end mark, your reading: --measured-along", plain);

  const double x_mm = sheet.width_mm - kMarginMm - 4.0;
  const double top_mm = kBodyTopMm + 10.0;
  const double bottom_mm = top_mm + kCheckLineMm;
  canvas.Line(x_mm, top_mm, x_mm, bottom_mm, kHairlineMm);
  canvas.Line(x_mm - kTickMm, top_mm, x_mm + kTickMm, top_mm, kHairlineMm);
  canvas.Line(x_mm - kTickMm, bottom_mm, x_mm + kTickMm, bottom_mm, kHairlineMm);
  TextStyle upward_bold = bold;
  TextStyle upward_plain = plain;
  upward_bold.upward = upward_plain.upward = true;
  upward_bold.anchor = upward_plain.anchor = TextAnchor::kCenter;
  const double middle_mm = 0.5 * (top_mm + bottom_mm);
  canvas.Text(x_mm - 8.6, middle_mm, "ACROSS the strip: 100 mm", upward_bold);
  canvas.Text(x_mm - 4.8, middle_mm, "center to center, your reading: --measured-across",
              upward_plain);
}

void DrawFrame(PdfCanvas& canvas, const SheetSize& sheet, const std::string& title, int page,
               int pages) {
  canvas.Text(kMarginMm, 16.5, title, {.size_mm = 5.0, .bold = true});
  canvas.Text(kMarginMm, sheet.height_mm - 9.0,
              "Tinesight strips and cards for " + std::string(sheet.name) +
                  ": print at 100 % (\"actual size\"), never \"fit to page\".",
              {.size_mm = 2.7});
  canvas.Text(sheet.width_mm - kMarginMm, sheet.height_mm - 9.0,
              "Page " + std::to_string(page) + " of " + std::to_string(pages),
              {.size_mm = 2.7, .anchor = TextAnchor::kRight});
  DrawCheckLines(canvas, sheet);
}

void DrawTag(PdfCanvas& canvas, int id, double side_mm, double x_mm, double y_mm) {
  canvas.FillEvenOdd(TagOutlines(id, side_mm), x_mm, y_mm);
}

// The hatched tab right of a piece. All that is printed on it disappears under the next piece.
void DrawGlueTab(PdfCanvas& canvas, const RectangleMm& tab) {
  canvas.Clip(tab);
  constexpr double kHatchMm = 2.0;
  const int hatches = static_cast<int>((tab.width_mm + tab.height_mm) / kHatchMm);
  for (int hatch = 1; hatch <= hatches; ++hatch) {
    const double x_mm = tab.x_mm - tab.height_mm + hatch * kHatchMm;
    canvas.Line(x_mm, tab.y_mm + tab.height_mm, x_mm + tab.height_mm, tab.y_mm, 0.1, 0.75);
  }
  canvas.Unclip();
  canvas.Line(tab.x_mm, tab.y_mm, tab.x_mm, tab.y_mm + tab.height_mm, 0.1, 0.4);
  for (const double from_top_mm : {2.0, tab.height_mm - 2.0}) {
    const double y_mm = tab.y_mm + from_top_mm;
    canvas.Arrow(tab.x_mm + 6.0, y_mm, tab.x_mm, y_mm, 0.3, 0.45);
  }
  canvas.Text(tab.x_mm + 0.5 * tab.width_mm + 1.0, tab.y_mm + 0.5 * tab.height_mm, "glue here",
              {.size_mm = 2.0, .anchor = TextAnchor::kCenter, .upward = true});
}

// One piece of a strip with its left end at x and the strip's middle line at y.
void DrawPiece(PdfCanvas& canvas, const StripBar& bar, const StripPiece& piece, double x_mm,
               double y_mm) {
  const auto on_piece = [&](double strip_mm) {
    return strip_mm > piece.begin_mm && strip_mm < piece.end_mm;
  };
  const double offset_mm = x_mm - piece.begin_mm;  // from strip to sheet
  const double half_height_mm = 0.5 * kStripHeightMm;
  const double length_mm = piece.end_mm - piece.begin_mm;
  const bool last = piece.end_mm >= 0.5 * kStripLengthMm;
  if (!last) {
    DrawGlueTab(canvas, {x_mm + length_mm, y_mm - half_height_mm, kGlueTabMm, kStripHeightMm});
  }
  canvas.Outline(
      {x_mm, y_mm - half_height_mm, length_mm + (last ? 0.0 : kGlueTabMm), kStripHeightMm},
      kHairlineMm, kGuideGray);
  for (int i = 0; i < kTagsPerStrip; ++i) {
    if (!on_piece(TagCenterXMm(i))) continue;
    DrawTag(canvas, bar.first_id + i, kTagSideMm, offset_mm + TagCenterXMm(i) - 0.5 * kTagSideMm,
            y_mm - 0.5 * kTagSideMm);
  }
  for (int j = 0; j < kPointsPerStrip; ++j) {
    if (!on_piece(SaddleXMm(j))) continue;
    for (RectangleMm square : SaddleSquares()) {
      square.x_mm += offset_mm + SaddleXMm(j);
      square.y_mm += y_mm;
      canvas.FillRectangle(square);
    }
  }
  // So that the cut pieces tell themselves apart; only at the strip's ends, away from every tag.
  const TextStyle small{.size_mm = 1.3, .gray = 0.3, .anchor = TextAnchor::kCenter, .upward = true};
  if (piece.begin_mm <= -0.5 * kStripLengthMm) {
    canvas.Text(x_mm + 1.3, y_mm, std::string(bar.name) + ", bass", small);
  }
  if (last) canvas.Text(x_mm + length_mm - 0.4, y_mm, std::string(bar.name) + ", treble", small);
}

struct PlacedPiece {
  const StripBar* bar;
  StripPiece piece;
  std::string caption;
};

std::vector<PlacedPiece> AllPieces(const std::vector<StripPiece>& cut) {
  std::vector<PlacedPiece> pieces;
  for (const StripBar& bar : kStripBars) {
    for (std::size_t i = 0; i < cut.size(); ++i) {
      std::string name = bar.name;
      name.front() = static_cast<char>(name.front() - 'a' + 'A');
      std::string caption =
          name + ", piece " + std::to_string(i + 1) + " of " + std::to_string(cut.size());
      if (i == 0) caption += ": the bass end is at its left";
      if (i + 1 == cut.size()) caption += ": the treble end is at its right";
      caption += ". This edge up in the photo.";
      pieces.push_back({&bar, cut[i], caption});
    }
  }
  return pieces;
}

void DrawStripSheet(PdfCanvas& canvas, const RectangleMm& body,
                    const std::vector<PlacedPiece>& pieces) {
  const double step_mm = body.height_mm / static_cast<double>(pieces.size());
  canvas.Text(
      body.x_mm, body.y_mm - 1.0,
      "\"Along\" is the way these strips run, the long side of the sheet. Measure both check "
      "lines of this sheet before you cut it.",
      {.size_mm = 2.9});
  double y_mm = body.y_mm + 8.0;
  for (const PlacedPiece& placed : pieces) {
    canvas.Text(body.x_mm, y_mm, placed.caption, {.size_mm = 2.9});
    DrawPiece(canvas, *placed.bar, placed.piece, body.x_mm, y_mm + 2.5 + 0.5 * kStripHeightMm);
    y_mm += step_mm;
  }
}

// Where cards go on their pages: a grid with room for scissors between.
struct CardGrid {
  int columns;
  int rows;
  double step_x_mm;
  double step_y_mm;

  [[nodiscard]] int PerPage() const { return columns * rows; }
};

CardGrid GridOf(const RectangleMm& body) {
  const double step_x_mm = kCardSideMm + 5.0;
  const double step_y_mm = kCardSideMm + kCardNameHeightMm + 5.0;
  return {static_cast<int>((body.width_mm + 5.0) / step_x_mm),
          static_cast<int>((body.height_mm + 5.0 - 8.0) / step_y_mm), step_x_mm, step_y_mm};
}

void DrawCardSheet(PdfCanvas& canvas, const RectangleMm& body, const CardGrid& grid,
                   std::span<const RegisterCard> cards) {
  canvas.Text(
      body.x_mm, body.y_mm + 1.0,
      "One for each photo. Cut on the outline; fold the flap with the name behind the pickup "
      "bar, so that the tag hangs under the strip, over the pickup of its note.",
      {.size_mm = 2.7});
  for (std::size_t i = 0; i < cards.size(); ++i) {
    const auto column = static_cast<int>(i) % grid.columns;
    const auto row = static_cast<int>(i) / grid.columns;
    const double x_mm = body.x_mm + column * grid.step_x_mm;
    const double y_mm = body.y_mm + 6.0 + row * grid.step_y_mm;
    canvas.Outline({x_mm, y_mm, kCardSideMm, kCardSideMm + kCardNameHeightMm}, kHairlineMm,
                   kGuideGray);
    canvas.Text(x_mm + 0.5 * kCardSideMm, y_mm + 3.9, cards[i].name,
                {.size_mm = 3.4, .bold = true, .anchor = TextAnchor::kCenter});
    const double border_mm = 0.5 * (kCardSideMm - kCardTagSideMm);
    DrawTag(canvas, kRegisterCardBaseId + cards[i].midi, kCardTagSideMm, x_mm + border_mm,
            y_mm + kCardNameHeightMm + border_mm);
  }
}

}  // namespace

Result<void> StripSheetOptions::Validate() const {
  for (const RegisterCard& card : cards) {
    if (card.midi < 0 || card.midi > 127) {
      return Fail("register card \"" + card.name + "\" has MIDI number " +
                  std::to_string(card.midi) + "; it must be 0 to 127");
    }
  }
  return {};
}

Result<std::string> StripSheetsPdf(const StripSheetOptions& options) {
  if (const auto valid = options.Validate(); !valid) return tl::unexpected(valid.error());
  const SheetSize sheet = SizeOf(options.paper);
  const RectangleMm body = BodyOf(sheet);
  const auto cut = CutStrip(body.width_mm, kGlueTabMm);
  if (!cut) return tl::unexpected(cut.error());

  const CardGrid grid = GridOf(body);
  const auto per_page = static_cast<std::size_t>(grid.PerPage());
  const std::size_t card_pages = (options.cards.size() + per_page - 1) / per_page;
  const int pages = 2 + static_cast<int>(card_pages);

  PdfCanvas canvas(sheet.width_mm, sheet.height_mm, "Tinesight strips and register cards");
  DrawFrame(canvas, sheet, "Strips and cards for the phone rig: how to make them", 1, pages);
  DrawGuide(canvas, body, static_cast<int>(cut->size()));
  canvas.NextPage();
  DrawFrame(canvas, sheet, "The two strips", 2, pages);
  DrawStripSheet(canvas, body, AllPieces(*cut));
  const std::span<const RegisterCard> cards(options.cards);
  for (std::size_t page = 0; page < card_pages; ++page) {
    canvas.NextPage();
    DrawFrame(canvas, sheet, "Register cards", 3 + static_cast<int>(page), pages);
    const std::size_t begin = page * per_page;
    DrawCardSheet(canvas, body, grid,
                  cards.subspan(begin, std::min(per_page, cards.size() - begin)));
  }
  return canvas.Finish();
}

Result<void> WriteStripSheets(const StripSheetOptions& options, const std::filesystem::path& file) {
  return StripSheetsPdf(options).and_then(
      [&](const std::string& bytes) { return WriteFileAtomically(file, bytes); });
}

}  // namespace tinesight
