#pragma once

// For record/ alone: text, tables and blocks that flow down the pages of a PDF.
#include <cairo.h>

#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "alignment/verdict.hpp"
#include "calibration/error.hpp"
#include "calibration/strips_pdf.hpp"
#include "record/drawing.hpp"

namespace tinesight {

struct TableCell {
  std::string text;
  bool bold = false;
  std::optional<Verdict> mark;  ///< its mark stands before the text
};

struct TableColumn {
  std::string header;
  double width = 1.0;  ///< share of the width
  TextAlign align = TextAlign::kLeft;
};

struct Table {
  std::vector<TableColumn> columns;
  std::vector<std::vector<TableCell>> rows;  ///< each as long as `columns`
};

struct PageSetup {
  PaperSize paper = PaperSize::kLetter;
  std::string title;         ///< the PDF's title
  std::string running_head;  ///< at the top of every page but the first
  /// For "Page 3 of 12"; 0: not known yet, "Page 3".
  int total_pages = 0;
};

/// Pages of a PDF that fill from the top. Whatever does not fit goes to the next page: a heading
/// stays with what follows it, a table repeats its header and leaves no single row behind, a
/// paragraph no single line. Drawing never fails by itself; Finish says whether all went well.
class PageFlow {
 public:
  explicit PageFlow(const PageSetup& setup);

  [[nodiscard]] double Width() const { return page_.width; }
  [[nodiscard]] double PageHeight() const { return page_.height; }
  /// What is left of this page.
  [[nodiscard]] double Room() const { return page_.Bottom() - y_; }
  [[nodiscard]] int Pages() const { return page_number_; }
  [[nodiscard]] Drawing& Draw() { return drawing_; }

  /// Begins a section; it also gets a bookmark. `keep_with_pt`: height that must fit below it on
  /// the same page, as far as the first thing of the section is higher than a few lines.
  void Heading(const std::string& text, double keep_with_pt = 0.0);
  void Subheading(const std::string& text);
  void Paragraph(const std::string& text, const Font& font = {});
  /// A paragraph behind a dot.
  void Item(const std::string& text);
  void Gap(double height_pt);
  /// Something drawn in one piece over the whole width.
  void Block(double height_pt, const std::function<void(Drawing&, const Rect&)>& draw);
  void AddTable(const Table& table);
  void NextPage();

  /// The finished PDF. Nothing may be drawn afterwards.
  [[nodiscard]] Result<std::string> Finish();

 private:
  struct Release {
    void operator()(cairo_surface_t* surface) const { cairo_surface_destroy(surface); }
    void operator()(cairo_t* context) const { cairo_destroy(context); }
  };
  void BeginPage();
  void EnsureRoom(double height_pt);
  void FlowLines(const std::string& text, double left, double width, const Font& font);

  PageSetup setup_;
  std::string bytes_;
  Rect page_;  // inside the margins
  double sheet_width_ = 0.0;
  double sheet_height_ = 0.0;
  std::unique_ptr<cairo_surface_t, Release> surface_;
  std::unique_ptr<cairo_t, Release> context_;
  Drawing drawing_;
  double y_ = 0.0;
  int page_number_ = 0;
};

}  // namespace tinesight
