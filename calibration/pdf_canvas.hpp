#pragma once

// For .cpp files only: what the strips' pages draw on.
#include <cairo.h>

#include <memory>
#include <span>
#include <string>

#include "calibration/error.hpp"
#include "calibration/strips.hpp"

namespace tinesight {

enum class TextAnchor { kLeft, kCenter, kRight };

struct TextStyle {
  double size_mm = 3.2;
  bool bold = false;
  bool monospace = false;
  double gray = 0.0;
  TextAnchor anchor = TextAnchor::kLeft;
  bool upward = false;  ///< reads from bottom to top
};

/// Pages of a PDF in mm: (0, 0) at the top left of the sheet, x to the right, y down. Drawing never
/// fails by itself; Finish says whether all of it went well.
class PdfCanvas {
 public:
  PdfCanvas(double width_mm, double height_mm, const std::string& title);

  /// Ends a page and begins the next.
  void NextPage();

  void FillRectangle(const RectangleMm& rectangle, double gray = 0.0);
  /// One black fill of all outlines together, moved by (x, y), by the even-odd rule: an outline
  /// inside another is a hole.
  void FillEvenOdd(std::span<const OutlineMm> outlines, double x_mm, double y_mm);
  void Outline(const RectangleMm& rectangle, double line_mm, double gray);
  void Line(double x0_mm, double y0_mm, double x1_mm, double y1_mm, double line_mm,
            double gray = 0.0);
  /// A line from (x0, y0) with an arrow head at (x1, y1).
  void Arrow(double x0_mm, double y0_mm, double x1_mm, double y1_mm, double line_mm,
             double gray = 0.0);
  /// Limits all drawing to `rectangle` until Unclip.
  void Clip(const RectangleMm& rectangle);
  void Unclip();

  /// One line of text with its baseline at y.
  void Text(double x_mm, double y_mm, const std::string& text, const TextStyle& style = {});
  /// Text broken into lines between spaces; the first baseline is at y. Returns the baseline of
  /// the line after the last.
  double Paragraph(double x_mm, double y_mm, double width_mm, const std::string& text,
                   const TextStyle& style = {});
  [[nodiscard]] double TextWidthMm(const std::string& text, const TextStyle& style);

  /// The finished PDF: fonts embedded, viewers told to print it without scaling, and no date in
  /// it, so that equal input gives equal bytes. Nothing may be drawn afterwards.
  [[nodiscard]] Result<std::string> Finish();

 private:
  struct SurfaceDestroy {
    void operator()(cairo_surface_t* surface) const { cairo_surface_destroy(surface); }
  };
  struct ContextDestroy {
    void operator()(cairo_t* context) const { cairo_destroy(context); }
  };

  void SetStyle(const TextStyle& style);

  std::string bytes_;
  std::unique_ptr<cairo_surface_t, SurfaceDestroy> surface_;
  std::unique_ptr<cairo_t, ContextDestroy> context_;
};

}  // namespace tinesight
