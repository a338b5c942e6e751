#include "record/page_flow.hpp"

#include <cairo-pdf.h>

#include <algorithm>
#include <numeric>

#include "record/overlay_style.hpp"

namespace tinesight {
namespace {

constexpr double kSideMargin = 45.0;
constexpr double kTopMargin = 50.0;
constexpr double kBottomMargin = 50.0;
constexpr double kCellPadding = 3.0;
constexpr double kMarkRoom = 11.0;
// A remark longer than this ends in "…": a cell must fit on a page.
constexpr int kMaxCellLines = 10;

const Font kHeadingFont{13.0, true, false, kBlack, TextAlign::kLeft};
const Font kSubheadingFont{9.5, true, false, kBlack, TextAlign::kLeft};
const Font kCellFont{8.0, false, false, kBlack, TextAlign::kLeft};
const Font kHeaderFont{8.0, true, false, kBlack, TextAlign::kLeft};
const Font kMarginFont{7.5, false, false, kDarkGray, TextAlign::kLeft};

constexpr double kPointsPerMm = 72.0 / 25.4;

double SheetWidth(PaperSize paper) {
  return paper == PaperSize::kA4 ? 210.0 * kPointsPerMm : 8.5 * 72.0;
}
double SheetHeight(PaperSize paper) {
  return paper == PaperSize::kA4 ? 297.0 * kPointsPerMm : 11.0 * 72.0;
}

cairo_status_t Append(void* bytes, const unsigned char* data, unsigned int length) {
  static_cast<std::string*>(bytes)->append(reinterpret_cast<const char*>(data), length);
  return CAIRO_STATUS_SUCCESS;
}

// Lays out and draws the rows of one table at a width.
class TableDrawer {
 public:
  TableDrawer(Drawing& drawing, const Table& table, double left, double width)
      : drawing_(drawing), table_(table) {
    const double shares =
        std::accumulate(table.columns.begin(), table.columns.end(), 0.0,
                        [](double sum, const TableColumn& column) { return sum + column.width; });
    double x = left;
    for (const TableColumn& column : table.columns) {
      const double column_width = width * column.width / shares;
      columns_.push_back({x, 0.0, column_width, 0.0});
      x += column_width;
    }
  }

  [[nodiscard]] double HeaderHeight() {
    double height = 0.0;
    for (std::size_t c = 0; c < columns_.size(); ++c) {
      height = std::max(
          height, drawing_.TextHeight(table_.columns[c].header, TextWidth(c, false), kHeaderFont));
    }
    return height + 2.0 * kCellPadding;
  }

  [[nodiscard]] double RowHeight(const std::vector<TableCell>& row) {
    double height = 0.0;
    for (std::size_t c = 0; c < columns_.size(); ++c) {
      height =
          std::max(height, drawing_.TextHeight(row[c].text, TextWidth(c, row[c].mark.has_value()),
                                               FontOf(c, row[c]), kMaxCellLines));
    }
    return height + kCellPadding;
  }

  void DrawHeader(double top, double height) {
    drawing_.FillBox({columns_.front().left, top, Right() - columns_.front().left, height},
                     kPaleGray);
    for (std::size_t c = 0; c < columns_.size(); ++c) {
      Font font = kHeaderFont;
      font.align = table_.columns[c].align;
      const double width = TextWidth(c, false);
      const double text = drawing_.TextHeight(table_.columns[c].header, width, font);
      drawing_.Text(table_.columns[c].header,
                    {columns_[c].left + kCellPadding, top + height - kCellPadding - text}, width,
                    font);
    }
    Rule(top + height, 0.8, kBlack);
  }

  void DrawRow(const std::vector<TableCell>& row, double top, double height) {
    for (std::size_t c = 0; c < columns_.size(); ++c) {
      double left = columns_[c].left + kCellPadding;
      const Font font = FontOf(c, row[c]);
      if (row[c].mark) {
        drawing_.Mark(LookOf(*row[c].mark).shape,
                      {left + 4.0, top + 0.5 * kCellPadding + 0.5 * drawing_.LineHeight(font)}, 3.6,
                      kBlack);
        left += kMarkRoom;
      }
      drawing_.Text(row[c].text, {left, top + 0.5 * kCellPadding},
                    TextWidth(c, row[c].mark.has_value()), font, kMaxCellLines);
    }
    Rule(top + height, 0.3, kLightGray);
  }

 private:
  [[nodiscard]] double Right() const { return columns_.back().Right(); }
  [[nodiscard]] double TextWidth(std::size_t c, bool mark) const {
    return std::max(8.0, columns_[c].width - 2.0 * kCellPadding - (mark ? kMarkRoom : 0.0));
  }
  [[nodiscard]] Font FontOf(std::size_t c, const TableCell& cell) const {
    Font font = kCellFont;
    font.bold = cell.bold;
    font.align = table_.columns[c].align;
    return font;
  }
  void Rule(double y, double width_pt, const Color& color) {
    drawing_.Line({columns_.front().left, y}, {Right(), y}, {width_pt, color, {}});
  }

  Drawing& drawing_;
  const Table& table_;
  std::vector<Rect> columns_;
};

}  // namespace

PageFlow::PageFlow(const PageSetup& setup)
    : setup_(setup),
      page_{kSideMargin, kTopMargin, SheetWidth(setup.paper) - 2.0 * kSideMargin,
            SheetHeight(setup.paper) - kTopMargin - kBottomMargin},
      sheet_width_(SheetWidth(setup.paper)),
      sheet_height_(SheetHeight(setup.paper)),
      surface_(cairo_pdf_surface_create_for_stream(&Append, &bytes_, sheet_width_, sheet_height_)),
      context_(cairo_create(surface_.get())),
      drawing_(context_.get()) {
  cairo_pdf_surface_set_metadata(surface_.get(), CAIRO_PDF_METADATA_TITLE, setup.title.c_str());
  cairo_pdf_surface_set_metadata(surface_.get(), CAIRO_PDF_METADATA_CREATOR, "Tinesight");
  BeginPage();
}

void PageFlow::BeginPage() {
  ++page_number_;
  y_ = page_.top;
  if (page_number_ > 1) {
    drawing_.Text(setup_.running_head, {page_.left, 26.0}, page_.width, kMarginFont, 1);
    drawing_.Line({page_.left, 39.0}, {page_.Right(), 39.0}, {0.4, kMidGray, {}});
  }
  std::string number = "Page " + std::to_string(page_number_);
  if (setup_.total_pages > 0) number += " of " + std::to_string(setup_.total_pages);
  Font font = kMarginFont;
  font.align = TextAlign::kRight;
  drawing_.Text(number, {page_.left, sheet_height_ - 34.0}, page_.width, font);
  drawing_.Text(
      "Measured from photos with Tinesight. Lengths in mm; ± is the expanded uncertainty "
      "(k = 2).",
      {page_.left, sheet_height_ - 34.0}, page_.width - 70.0, kMarginFont, 1);
}

void PageFlow::NextPage() {
  cairo_show_page(context_.get());
  BeginPage();
}

void PageFlow::EnsureRoom(double height_pt) {
  if (height_pt > Room() && y_ > page_.top) NextPage();
}

void PageFlow::Gap(double height_pt) {
  if (y_ > page_.top) y_ = std::min(y_ + height_pt, page_.Bottom());
}

void PageFlow::Heading(const std::string& text, double keep_with_pt) {
  const double height = drawing_.TextHeight(text, Width(), kHeadingFont);
  Gap(10.0);
  EnsureRoom(height + 5.0 + std::max(36.0, keep_with_pt));
  const std::string place = "page=" + std::to_string(page_number_) + " pos=[" +
                            std::to_string(static_cast<int>(page_.left)) + ' ' +
                            std::to_string(static_cast<int>(y_)) + ']';
  cairo_pdf_surface_add_outline(surface_.get(), CAIRO_PDF_OUTLINE_ROOT, text.c_str(), place.c_str(),
                                CAIRO_PDF_OUTLINE_FLAG_OPEN);
  y_ += drawing_.Text(text, {page_.left, y_}, Width(), kHeadingFont) + 5.0;
}

void PageFlow::Subheading(const std::string& text) {
  Gap(5.0);
  EnsureRoom(drawing_.TextHeight(text, Width(), kSubheadingFont) + 26.0);
  y_ += drawing_.Text(text, {page_.left, y_}, Width(), kSubheadingFont) + 2.0;
}

void PageFlow::FlowLines(const std::string& text, double left, double width, const Font& font) {
  const std::vector<std::string> lines = drawing_.Lines(text, width, font);
  const double height = drawing_.LineHeight(font);
  for (std::size_t i = 0; i < lines.size(); ++i) {
    const std::size_t after = lines.size() - i - 1;
    // Neither the first line alone at a page's end nor the last one alone at the next one's top.
    const bool pair = (i == 0 && after > 0) || after == 1;
    EnsureRoom(pair ? 2.0 * height : height);
    drawing_.Label(lines[i], {left, y_ + 0.5 * height}, font);
    y_ += height;
  }
}

void PageFlow::Paragraph(const std::string& text, const Font& font) {
  FlowLines(text, page_.left, Width(), font);
  Gap(4.0);
}

void PageFlow::Item(const std::string& text) {
  constexpr double kIndent = 11.0;
  const Font font;
  EnsureRoom(
      std::min(2.0, static_cast<double>(drawing_.Lines(text, Width() - kIndent, font).size())) *
      drawing_.LineHeight(font));
  drawing_.FillCircle({page_.left + 3.5, y_ + 0.52 * drawing_.LineHeight(font)}, 1.5, kBlack);
  FlowLines(text, page_.left + kIndent, Width() - kIndent, font);
  Gap(2.5);
}

void PageFlow::Block(double height_pt, const std::function<void(Drawing&, const Rect&)>& draw) {
  EnsureRoom(height_pt);
  draw(drawing_, {page_.left, y_, page_.width, height_pt});
  y_ += height_pt;
}

void PageFlow::AddTable(const Table& table) {
  if (table.rows.empty()) return;
  TableDrawer drawer(drawing_, table, page_.left, page_.width);
  const double header = drawer.HeaderHeight();
  std::vector<double> heights;
  for (const auto& row : table.rows) heights.push_back(drawer.RowHeight(row));
  const auto with_next = [&](std::size_t i) {
    return heights[i] + (i + 1 < heights.size() ? heights[i + 1] : 0.0);
  };
  EnsureRoom(header + with_next(0));
  drawer.DrawHeader(y_, header);
  y_ += header;
  for (std::size_t i = 0; i < table.rows.size(); ++i) {
    // The last two rows stay together: no single one under a repeated header.
    const bool keep_next = i > 0 && i + 2 == table.rows.size();
    if ((keep_next ? with_next(i) : heights[i]) > Room()) {
      NextPage();
      drawer.DrawHeader(y_, header);
      y_ += header;
    }
    drawer.DrawRow(table.rows[i], y_, heights[i]);
    y_ += heights[i];
  }
  Gap(8.0);
}

Result<std::string> PageFlow::Finish() {
  cairo_show_page(context_.get());
  const cairo_status_t drawn = cairo_status(context_.get());
  cairo_surface_finish(surface_.get());
  const cairo_status_t written = cairo_surface_status(surface_.get());
  const cairo_status_t status = drawn != CAIRO_STATUS_SUCCESS ? drawn : written;
  if (status != CAIRO_STATUS_SUCCESS) {
    return Fail(std::string("the report could not be drawn: ") + cairo_status_to_string(status));
  }
  return std::move(bytes_);
}

}  // namespace tinesight
