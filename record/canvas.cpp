#include "record/canvas.hpp"

#include <cmath>
#include <numbers>
#include <opencv2/imgproc.hpp>

namespace tinesight {

Canvas::Canvas(const cv::Mat& bgr) {
  cv::cvtColor(bgr, bgra_, cv::COLOR_BGR2BGRA);
  // RGB24 is one native 32-bit word 0xxxRRGGBB: in memory B, G, R, x on a little-endian machine.
  surface_.reset(cairo_image_surface_create_for_data(bgra_.data, CAIRO_FORMAT_RGB24, bgra_.cols,
                                                     bgra_.rows, static_cast<int>(bgra_.step)));
  context_.reset(cairo_create(surface_.get()));
  cairo_translate(context_.get(), 0.5, 0.5);
  cairo_set_line_join(context_.get(), CAIRO_LINE_JOIN_ROUND);
  cairo_set_antialias(context_.get(), CAIRO_ANTIALIAS_BEST);
}

void Canvas::SetColor(const Color& color, double opacity) {
  cairo_set_source_rgba(context_.get(), color.red, color.green, color.blue, opacity);
}

void Canvas::SetFont(double size_px, bool bold) {
  cairo_select_font_face(context_.get(), "DejaVu Sans Condensed", CAIRO_FONT_SLANT_NORMAL,
                         bold ? CAIRO_FONT_WEIGHT_BOLD : CAIRO_FONT_WEIGHT_NORMAL);
  cairo_set_font_size(context_.get(), size_px);
}

void Canvas::Polyline(const std::vector<Eigen::Vector2d>& points_px, const LineStyle& style,
                      bool closed) {
  cairo_t* context = context_.get();
  cairo_new_path(context);
  for (const Eigen::Vector2d& point : points_px) cairo_line_to(context, point.x(), point.y());
  if (closed) cairo_close_path(context);
  cairo_set_dash(context, style.dashes_px.data(), static_cast<int>(style.dashes_px.size()), 0.0);
  if (style.halo > 0.0) {
    SetColor(kBlack, style.halo);
    cairo_set_line_width(context, style.width_px * 1.9);
    cairo_stroke_preserve(context);
  }
  SetColor(style.color);
  cairo_set_line_width(context, style.width_px);
  cairo_stroke(context);
  cairo_set_dash(context, nullptr, 0, 0.0);
}

void Canvas::Arrow(const Eigen::Vector2d& from_px, const Eigen::Vector2d& to_px,
                   const LineStyle& style, double head_px) {
  const Eigen::Vector2d along = to_px - from_px;
  if (!(along.norm() > 1e-6)) return;
  const Eigen::Vector2d unit = along.normalized();
  const Eigen::Vector2d across(-unit.y(), unit.x());
  const double head = std::min(head_px, along.norm());
  const Eigen::Vector2d neck = to_px - head * unit;
  Polyline({from_px, neck}, style);
  LineStyle rim = style;
  rim.width_px = 0.3 * style.width_px;
  const std::vector<Eigen::Vector2d> triangle{to_px, neck + 0.6 * head * across,
                                              neck - 0.6 * head * across};
  Polyline(triangle, rim, true);
  cairo_new_path(context_.get());
  for (const Eigen::Vector2d& p : triangle) cairo_line_to(context_.get(), p.x(), p.y());
  SetColor(style.color);
  cairo_fill(context_.get());
}

void Canvas::Box(const Eigen::Vector2d& top_left_px, const Eigen::Vector2d& size_px,
                 const Color& color, double opacity, double corner_px) {
  cairo_t* context = context_.get();
  const double left = top_left_px.x();
  const double top = top_left_px.y();
  const double right = left + size_px.x();
  const double bottom = top + size_px.y();
  const double quarter = 0.5 * std::numbers::pi;
  cairo_new_path(context);
  cairo_arc(context, right - corner_px, top + corner_px, corner_px, -quarter, 0.0);
  cairo_arc(context, right - corner_px, bottom - corner_px, corner_px, 0.0, quarter);
  cairo_arc(context, left + corner_px, bottom - corner_px, corner_px, quarter, 2.0 * quarter);
  cairo_arc(context, left + corner_px, top + corner_px, corner_px, 2.0 * quarter, 3.0 * quarter);
  cairo_close_path(context);
  SetColor(color, opacity);
  cairo_fill(context);
}

void Canvas::Mark(MarkShape shape, const Eigen::Vector2d& center_px, double radius_px,
                  const Color& color) {
  cairo_t* context = context_.get();
  const double x = center_px.x();
  const double y = center_px.y();
  const double r = radius_px;
  cairo_new_path(context);
  switch (shape) {
    case MarkShape::kDisc:
      cairo_arc(context, x, y, 0.85 * r, 0.0, 2.0 * std::numbers::pi);
      break;
    case MarkShape::kDiamond:
      cairo_move_to(context, x, y - r);
      cairo_line_to(context, x + r, y);
      cairo_line_to(context, x, y + r);
      cairo_line_to(context, x - r, y);
      break;
    case MarkShape::kTriangle:
      cairo_move_to(context, x, y - r);
      cairo_line_to(context, x + r, y + 0.8 * r);
      cairo_line_to(context, x - r, y + 0.8 * r);
      break;
    case MarkShape::kCross:
      Polyline({{x - 0.7 * r, y - 0.7 * r}, {x + 0.7 * r, y + 0.7 * r}}, {color, 0.4 * r, {}, 0.0});
      Polyline({{x - 0.7 * r, y + 0.7 * r}, {x + 0.7 * r, y - 0.7 * r}}, {color, 0.4 * r, {}, 0.0});
      return;
  }
  cairo_close_path(context);
  SetColor(color);
  cairo_fill(context);
  if (shape == MarkShape::kDisc) return;
  // '!' and '?' inside make the shape speak for itself.
  const std::string sign = shape == MarkShape::kDiamond ? "!" : "?";
  const double size = 1.25 * r;
  Text(sign, {x - 0.5 * TextWidth(sign, size, true), y + 0.45 * r}, size, kBlack, true);
}

void Canvas::Text(const std::string& text, const Eigen::Vector2d& baseline_px, double size_px,
                  const Color& color, bool bold) {
  SetFont(size_px, bold);
  SetColor(color);
  cairo_move_to(context_.get(), baseline_px.x(), baseline_px.y());
  cairo_show_text(context_.get(), text.c_str());
}

double Canvas::TextWidth(const std::string& text, double size_px, bool bold) {
  SetFont(size_px, bold);
  cairo_text_extents_t extents{};
  cairo_text_extents(context_.get(), text.c_str(), &extents);
  return extents.x_advance;
}

cv::Mat Canvas::Picture() {
  cairo_surface_flush(surface_.get());
  cv::Mat bgr;
  cv::cvtColor(bgra_, bgr, cv::COLOR_BGRA2BGR);
  return bgr;
}

}  // namespace tinesight
