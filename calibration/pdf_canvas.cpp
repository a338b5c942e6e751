#include "calibration/pdf_canvas.hpp"

#include <cairo-pdf.h>
#include <qpdf/qpdf-c.h>

#include <cmath>
#include <memory>
#include <numbers>
#include <sstream>

namespace tinesight {
namespace {

constexpr double kPointsPerMm = 72.0 / 25.4;
constexpr double kLineSpacing = 1.32;  // baseline to baseline, of the font size
constexpr double kArrowHeadMm = 1.8;

cairo_status_t Append(void* bytes, const unsigned char* data, unsigned int length) {
  static_cast<std::string*>(bytes)->append(reinterpret_cast<const char*>(data), length);
  return CAIRO_STATUS_SUCCESS;
}

struct QpdfDeleter {
  void operator()(_qpdf_data* pdf) const { qpdf_cleanup(&pdf); }
};

Error QpdfFailure(_qpdf_data* pdf) {
  const std::string why =
      qpdf_has_error(pdf) == QPDF_TRUE ? qpdf_get_error_full_text(pdf, qpdf_get_error(pdf)) : "";
  return {"the PDF could not be finished: " + why};
}

// Cairo can say neither "do not scale" to the printer dialog nor leave its date out. (qpdf's C
// interface, because clang-tidy 14 can't compile the C++ one's headers as C++20.)
Result<std::string> ForbidScaling(const std::string& pdf_bytes) {
  const std::unique_ptr<_qpdf_data, QpdfDeleter> owner(qpdf_init());
  _qpdf_data* pdf = owner.get();
  qpdf_silence_errors(pdf);
  qpdf_set_suppress_warnings(pdf, QPDF_TRUE);
  if (qpdf_read_memory(pdf, "strips", pdf_bytes.data(), pdf_bytes.size(), nullptr) >= QPDF_ERRORS) {
    return tl::unexpected(QpdfFailure(pdf));
  }
  qpdf_oh_replace_key(
      pdf, qpdf_get_root(pdf), "/ViewerPreferences",
      qpdf_oh_parse(pdf, "<< /PrintScaling /None /Duplex /Simplex /PickTrayByPDFSize true >>"));
  const qpdf_oh info = qpdf_oh_get_key(pdf, qpdf_get_trailer(pdf), "/Info");
  if (qpdf_oh_is_dictionary(pdf, info) == QPDF_TRUE) {
    qpdf_oh_remove_key(pdf, info, "/CreationDate");
    qpdf_oh_remove_key(pdf, info, "/ModDate");
  }
  if (qpdf_init_write_memory(pdf) >= QPDF_ERRORS) return tl::unexpected(QpdfFailure(pdf));
  qpdf_set_deterministic_ID(pdf, QPDF_TRUE);
  qpdf_set_minimum_pdf_version(pdf, "1.7");
  if (qpdf_write(pdf) >= QPDF_ERRORS) return tl::unexpected(QpdfFailure(pdf));
  return std::string(reinterpret_cast<const char*>(qpdf_get_buffer(pdf)),
                     qpdf_get_buffer_length(pdf));
}

}  // namespace

PdfCanvas::PdfCanvas(double width_mm, double height_mm, const std::string& title)
    : surface_(cairo_pdf_surface_create_for_stream(&Append, &bytes_, width_mm * kPointsPerMm,
                                                   height_mm * kPointsPerMm)),
      context_(cairo_create(surface_.get())) {
  cairo_pdf_surface_set_metadata(surface_.get(), CAIRO_PDF_METADATA_TITLE, title.c_str());
  cairo_pdf_surface_set_metadata(surface_.get(), CAIRO_PDF_METADATA_CREATOR, "Tinesight");
  cairo_scale(context_.get(), kPointsPerMm, kPointsPerMm);
  cairo_font_options_t* options = cairo_font_options_create();
  cairo_font_options_set_hint_metrics(options, CAIRO_HINT_METRICS_OFF);
  cairo_font_options_set_hint_style(options, CAIRO_HINT_STYLE_NONE);
  cairo_set_font_options(context_.get(), options);
  cairo_font_options_destroy(options);
}

void PdfCanvas::NextPage() { cairo_show_page(context_.get()); }

void PdfCanvas::FillRectangle(const RectangleMm& r, double gray) {
  cairo_set_source_rgb(context_.get(), gray, gray, gray);
  cairo_rectangle(context_.get(), r.x_mm, r.y_mm, r.width_mm, r.height_mm);
  cairo_fill(context_.get());
}

void PdfCanvas::FillEvenOdd(std::span<const OutlineMm> outlines, double x_mm, double y_mm) {
  cairo_set_source_rgb(context_.get(), 0.0, 0.0, 0.0);
  cairo_set_fill_rule(context_.get(), CAIRO_FILL_RULE_EVEN_ODD);
  for (const OutlineMm& outline : outlines) {
    cairo_new_sub_path(context_.get());
    for (const Eigen::Vector2d& corner : outline) {
      cairo_line_to(context_.get(), x_mm + corner.x(), y_mm + corner.y());
    }
    cairo_close_path(context_.get());
  }
  cairo_fill(context_.get());
}

void PdfCanvas::Outline(const RectangleMm& r, double line_mm, double gray) {
  cairo_set_source_rgb(context_.get(), gray, gray, gray);
  cairo_set_line_width(context_.get(), line_mm);
  cairo_rectangle(context_.get(), r.x_mm, r.y_mm, r.width_mm, r.height_mm);
  cairo_stroke(context_.get());
}

void PdfCanvas::Line(double x0_mm, double y0_mm, double x1_mm, double y1_mm, double line_mm,
                     double gray) {
  cairo_set_source_rgb(context_.get(), gray, gray, gray);
  cairo_set_line_width(context_.get(), line_mm);
  cairo_move_to(context_.get(), x0_mm, y0_mm);
  cairo_line_to(context_.get(), x1_mm, y1_mm);
  cairo_stroke(context_.get());
}

void PdfCanvas::Arrow(double x0_mm, double y0_mm, double x1_mm, double y1_mm, double line_mm,
                      double gray) {
  const double length_mm = std::hypot(x1_mm - x0_mm, y1_mm - y0_mm);
  if (!(length_mm > 0.0)) return;
  const double ux = (x1_mm - x0_mm) / length_mm;
  const double uy = (y1_mm - y0_mm) / length_mm;
  const double base_x = x1_mm - kArrowHeadMm * ux;
  const double base_y = y1_mm - kArrowHeadMm * uy;
  const double half_mm = 0.35 * kArrowHeadMm;
  Line(x0_mm, y0_mm, base_x, base_y, line_mm, gray);
  cairo_move_to(context_.get(), x1_mm, y1_mm);
  cairo_line_to(context_.get(), base_x - half_mm * uy, base_y + half_mm * ux);
  cairo_line_to(context_.get(), base_x + half_mm * uy, base_y - half_mm * ux);
  cairo_close_path(context_.get());
  cairo_fill(context_.get());
}

void PdfCanvas::Clip(const RectangleMm& r) {
  cairo_save(context_.get());
  cairo_rectangle(context_.get(), r.x_mm, r.y_mm, r.width_mm, r.height_mm);
  cairo_clip(context_.get());
}

void PdfCanvas::Unclip() { cairo_restore(context_.get()); }

void PdfCanvas::SetStyle(const TextStyle& style) {
  cairo_select_font_face(context_.get(), style.monospace ? "DejaVu Sans Mono" : "DejaVu Sans",
                         CAIRO_FONT_SLANT_NORMAL,
                         style.bold ? CAIRO_FONT_WEIGHT_BOLD : CAIRO_FONT_WEIGHT_NORMAL);
  cairo_set_font_size(context_.get(), style.size_mm);
  cairo_set_source_rgb(context_.get(), style.gray, style.gray, style.gray);
}

double PdfCanvas::TextWidthMm(const std::string& text, const TextStyle& style) {
  SetStyle(style);
  cairo_text_extents_t extents;
  cairo_text_extents(context_.get(), text.c_str(), &extents);
  return extents.x_advance;
}

void PdfCanvas::Text(double x_mm, double y_mm, const std::string& text, const TextStyle& style) {
  double before_mm = 0.0;
  if (style.anchor != TextAnchor::kLeft) {
    before_mm = TextWidthMm(text, style) * (style.anchor == TextAnchor::kCenter ? 0.5 : 1.0);
  }
  SetStyle(style);
  cairo_save(context_.get());
  cairo_translate(context_.get(), x_mm, y_mm);
  if (style.upward) cairo_rotate(context_.get(), -0.5 * std::numbers::pi);
  cairo_move_to(context_.get(), -before_mm, 0.0);
  cairo_show_text(context_.get(), text.c_str());
  cairo_restore(context_.get());
}

double PdfCanvas::Paragraph(double x_mm, double y_mm, double width_mm, const std::string& text,
                            const TextStyle& style) {
  std::istringstream words(text);
  std::string line;
  std::string word;
  while (words >> word) {
    const std::string longer = line.empty() ? word : line + " " + word;
    if (!line.empty() && TextWidthMm(longer, style) > width_mm) {
      Text(x_mm, y_mm, line, style);
      y_mm += kLineSpacing * style.size_mm;
      line = word;
    } else {
      line = longer;
    }
  }
  if (!line.empty()) {
    Text(x_mm, y_mm, line, style);
    y_mm += kLineSpacing * style.size_mm;
  }
  return y_mm;
}

Result<std::string> PdfCanvas::Finish() {
  cairo_show_page(context_.get());
  const cairo_status_t drawn = cairo_status(context_.get());
  cairo_surface_finish(surface_.get());
  const cairo_status_t written = cairo_surface_status(surface_.get());
  const cairo_status_t status = drawn != CAIRO_STATUS_SUCCESS ? drawn : written;
  if (status != CAIRO_STATUS_SUCCESS) {
    return Fail(std::string("the PDF could not be drawn: ") + cairo_status_to_string(status));
  }
  return ForbidScaling(bytes_);
}

}  // namespace tinesight
