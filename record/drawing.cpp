#include "record/drawing.hpp"

#include <cmath>
#include <numbers>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

namespace tinesight {
namespace {

constexpr const char* kFamily = "DejaVu Sans";
// No line of ours holds more. Of a text that is cut after some lines anyway, the rest would only
// cost time.
constexpr std::size_t kMostBytesOfLine = 600;

std::string_view Start(std::string_view text, int max_lines) {
  const std::size_t most = kMostBytesOfLine * static_cast<std::size_t>(max_lines);
  if (max_lines <= 0 || text.size() <= most) return text;
  std::size_t end = most;
  while (end > 0 && (static_cast<unsigned char>(text[end]) & 0xC0U) == 0x80U) --end;
  return text.substr(0, end);
}

constexpr double kFullTurn = 2.0 * std::numbers::pi;

double Points(int pango_units) { return static_cast<double>(pango_units) / PANGO_SCALE; }

PangoAlignment AlignmentOf(TextAlign align) {
  switch (align) {
    case TextAlign::kCenter:
      return PANGO_ALIGN_CENTER;
    case TextAlign::kRight:
      return PANGO_ALIGN_RIGHT;
    case TextAlign::kLeft:
      break;
  }
  return PANGO_ALIGN_LEFT;
}

struct SurfaceDestroy {
  void operator()(cairo_surface_t* surface) const { cairo_surface_destroy(surface); }
};
using Surface = std::unique_ptr<cairo_surface_t, SurfaceDestroy>;

void FreeString(void* bytes) { delete static_cast<std::string*>(bytes); }

// Decoded, for surfaces of pixels; with the JPEG attached, for a PDF, which keeps that.
Surface JpegSurface(const std::string& bytes) {
  const cv::Mat raw(1, static_cast<int>(bytes.size()), CV_8UC1,
                    const_cast<char*>(bytes.data()));  // only read; cv::Mat has no const view
  const cv::Mat bgr = cv::imdecode(raw, cv::IMREAD_COLOR | cv::IMREAD_IGNORE_ORIENTATION);
  if (bgr.empty()) return nullptr;
  Surface surface(cairo_image_surface_create(CAIRO_FORMAT_RGB24, bgr.cols, bgr.rows));
  cairo_surface_flush(surface.get());
  cv::Mat pixels(bgr.rows, bgr.cols, CV_8UC4, cairo_image_surface_get_data(surface.get()),
                 static_cast<std::size_t>(cairo_image_surface_get_stride(surface.get())));
  cv::cvtColor(bgr, pixels, cv::COLOR_BGR2BGRA);
  cairo_surface_mark_dirty(surface.get());
  auto* kept = new std::string(bytes);
  const cairo_status_t attached = cairo_surface_set_mime_data(
      surface.get(), CAIRO_MIME_TYPE_JPEG, reinterpret_cast<const unsigned char*>(kept->data()),
      kept->size(), &FreeString, kept);
  if (attached != CAIRO_STATUS_SUCCESS) delete kept;
  return surface;
}

}  // namespace

void Drawing::Unref::operator()(void* object) const { g_object_unref(object); }

Drawing::Drawing(cairo_t* context)
    : context_(context), text_context_(pango_cairo_create_context(context)) {
  // One unit of the drawing is 1 pt; and text must not be fitted to pixels that paper doesn't have.
  pango_cairo_context_set_resolution(text_context_.get(), 72.0);
  cairo_font_options_t* options = cairo_font_options_create();
  cairo_font_options_set_hint_style(options, CAIRO_HINT_STYLE_NONE);
  cairo_font_options_set_hint_metrics(options, CAIRO_HINT_METRICS_OFF);
  cairo_font_options_set_antialias(options, CAIRO_ANTIALIAS_GRAY);
  pango_cairo_context_set_font_options(text_context_.get(), options);
  cairo_font_options_destroy(options);
  pango_context_set_round_glyph_positions(text_context_.get(), FALSE);
  cairo_set_line_join(context_, CAIRO_LINE_JOIN_ROUND);
}

void Drawing::SetColor(const Color& color) {
  cairo_set_source_rgb(context_, color.red, color.green, color.blue);
}

void Drawing::Apply(const Stroke& stroke) {
  SetColor(stroke.color);
  cairo_set_line_width(context_, stroke.width_pt);
  cairo_set_dash(context_, stroke.dashes_pt.data(), static_cast<int>(stroke.dashes_pt.size()), 0.0);
  cairo_stroke(context_);
}

void Drawing::Path(const std::vector<Eigen::Vector2d>& points) {
  cairo_new_path(context_);
  for (const Eigen::Vector2d& point : points) cairo_line_to(context_, point.x(), point.y());
}

void Drawing::Line(const Eigen::Vector2d& from, const Eigen::Vector2d& to, const Stroke& stroke) {
  Path({from, to});
  Apply(stroke);
}

void Drawing::Polyline(const std::vector<Eigen::Vector2d>& points, const Stroke& stroke,
                       bool closed) {
  Path(points);
  if (closed) cairo_close_path(context_);
  Apply(stroke);
}

void Drawing::FillPolygon(const std::vector<Eigen::Vector2d>& points, const Color& color) {
  Path(points);
  cairo_close_path(context_);
  SetColor(color);
  cairo_fill(context_);
}

void Drawing::FillBox(const Rect& box, const Color& color) {
  cairo_rectangle(context_, box.left, box.top, box.width, box.height);
  SetColor(color);
  cairo_fill(context_);
}

void Drawing::StrokeBox(const Rect& box, const Stroke& stroke) {
  cairo_rectangle(context_, box.left, box.top, box.width, box.height);
  Apply(stroke);
}

void Drawing::FillCircle(const Eigen::Vector2d& center, double radius, const Color& color) {
  cairo_new_path(context_);
  cairo_arc(context_, center.x(), center.y(), radius, 0.0, kFullTurn);
  SetColor(color);
  cairo_fill(context_);
}

void Drawing::StrokeEllipse(const Eigen::Vector2d& center, const Eigen::Vector2d& semi_axes,
                            const Stroke& stroke) {
  StrokeEllipse(center, Eigen::Matrix2d(semi_axes.asDiagonal()), stroke);
}

void Drawing::StrokeEllipse(const Eigen::Vector2d& center, const Eigen::Matrix2d& semi_axes,
                            const Stroke& stroke) {
  constexpr int kCorners = 72;
  std::vector<Eigen::Vector2d> points;
  for (int i = 0; i < kCorners; ++i) {
    const double angle = kFullTurn * i / kCorners;
    points.emplace_back(center + semi_axes * Eigen::Vector2d(std::cos(angle), std::sin(angle)));
  }
  Polyline(points, stroke, true);
}

void Drawing::Mark(MarkShape shape, const Eigen::Vector2d& center, double radius,
                   const Color& color, MarkFill fill) {
  const double x = center.x();
  const double y = center.y();
  const double r = radius;
  if (shape == MarkShape::kCross) {
    const Stroke stroke{0.35 * r, color, {}};
    Line({x - 0.7 * r, y - 0.7 * r}, {x + 0.7 * r, y + 0.7 * r}, stroke);
    Line({x - 0.7 * r, y + 0.7 * r}, {x + 0.7 * r, y - 0.7 * r}, stroke);
    return;
  }
  if (shape == MarkShape::kDisc) {
    cairo_new_path(context_);
    cairo_arc(context_, x, y, 0.85 * r, 0.0, kFullTurn);
  } else if (shape == MarkShape::kDiamond) {
    Path({{x, y - r}, {x + r, y}, {x, y + r}, {x - r, y}});
  } else {
    Path({{x, y - r}, {x + r, y + 0.8 * r}, {x - r, y + 0.8 * r}});
  }
  cairo_close_path(context_);
  SetColor(fill == MarkFill::kFilled ? color : kWhite);
  cairo_fill_preserve(context_);
  Apply({0.28 * r, color, {}});
}

bool Drawing::Jpeg(const std::string& bytes, const Rect& box) {
  const Surface surface = JpegSurface(bytes);
  if (!surface) return false;
  cairo_save(context_);
  cairo_translate(context_, box.left, box.top);
  cairo_scale(context_, box.width / cairo_image_surface_get_width(surface.get()),
              box.height / cairo_image_surface_get_height(surface.get()));
  cairo_set_source_surface(context_, surface.get(), 0.0, 0.0);
  cairo_pattern_set_filter(cairo_get_source(context_), CAIRO_FILTER_BEST);
  cairo_paint(context_);
  cairo_restore(context_);
  return true;
}

void Drawing::PushClip(const Rect& box) {
  cairo_save(context_);
  cairo_rectangle(context_, box.left, box.top, box.width, box.height);
  cairo_clip(context_);
}

void Drawing::PopClip() { cairo_restore(context_); }

Drawing::Layout Drawing::MakeLayout(std::string_view text, double width, const Font& font,
                                    int max_lines) {
  text = Start(text, max_lines);
  Layout layout(pango_layout_new(text_context_.get()));
  PangoFontDescription* description = pango_font_description_new();
  pango_font_description_set_family_static(description, kFamily);
  pango_font_description_set_absolute_size(description, font.size_pt * PANGO_SCALE);
  pango_font_description_set_weight(description,
                                    font.bold ? PANGO_WEIGHT_BOLD : PANGO_WEIGHT_NORMAL);
  pango_font_description_set_style(description,
                                   font.italic ? PANGO_STYLE_OBLIQUE : PANGO_STYLE_NORMAL);
  pango_layout_set_font_description(layout.get(), description);
  pango_font_description_free(description);
  pango_layout_set_text(layout.get(), text.data(), static_cast<int>(text.size()));
  pango_layout_set_wrap(layout.get(), PANGO_WRAP_WORD_CHAR);
  if (width >= 0.0) {
    pango_layout_set_width(layout.get(), static_cast<int>(std::floor(width * PANGO_SCALE)));
    pango_layout_set_alignment(layout.get(), AlignmentOf(font.align));
  }
  if (max_lines > 0) {
    pango_layout_set_height(layout.get(), -max_lines);
    pango_layout_set_ellipsize(layout.get(), PANGO_ELLIPSIZE_END);
  }
  return layout;
}

double Drawing::Text(std::string_view text, const Eigen::Vector2d& top_left, double width,
                     const Font& font, int max_lines) {
  const Layout layout = MakeLayout(text, width, font, max_lines);
  int height = 0;
  pango_layout_get_size(layout.get(), nullptr, &height);
  SetColor(font.color);
  cairo_move_to(context_, top_left.x(), top_left.y());
  pango_cairo_show_layout(context_, layout.get());
  cairo_new_path(context_);
  return Points(height);
}

double Drawing::TextHeight(std::string_view text, double width, const Font& font, int max_lines) {
  const Layout layout = MakeLayout(text, width, font, max_lines);
  int height = 0;
  pango_layout_get_size(layout.get(), nullptr, &height);
  return Points(height);
}

std::vector<std::string> Drawing::Lines(std::string_view text, double width, const Font& font) {
  const Layout layout = MakeLayout(text, width, font, 0);
  std::vector<std::string> lines;
  for (int i = 0; i < pango_layout_get_line_count(layout.get()); ++i) {
    const PangoLayoutLine* line = pango_layout_get_line_readonly(layout.get(), i);
    std::string_view words = text.substr(static_cast<std::size_t>(line->start_index),
                                         static_cast<std::size_t>(line->length));
    while (!words.empty() && words.back() == ' ') words.remove_suffix(1);
    lines.emplace_back(words);
  }
  return lines;
}

void Drawing::Label(std::string_view text, const Eigen::Vector2d& at, const Font& font) {
  const Layout layout = MakeLayout(text, -1.0, font, 0);
  int width = 0;
  int height = 0;
  pango_layout_get_size(layout.get(), &width, &height);
  double left = at.x();
  if (font.align == TextAlign::kCenter) left -= 0.5 * Points(width);
  if (font.align == TextAlign::kRight) left -= Points(width);
  SetColor(font.color);
  cairo_move_to(context_, left, at.y() - 0.5 * Points(height));
  pango_cairo_show_layout(context_, layout.get());
  cairo_new_path(context_);
}

double Drawing::LabelWidth(std::string_view text, const Font& font) {
  const Layout layout = MakeLayout(text, -1.0, font, 0);
  int width = 0;
  pango_layout_get_size(layout.get(), &width, nullptr);
  return Points(width);
}

double Drawing::LineHeight(const Font& font) { return TextHeight("Hg", 1e4, font); }

PixelPage::PixelPage(const cv::Mat& bgr, double px_per_pt) {
  cv::cvtColor(bgr, bgra_, cv::COLOR_BGR2BGRA);
  surface_.reset(cairo_image_surface_create_for_data(bgra_.data, CAIRO_FORMAT_RGB24, bgra_.cols,
                                                     bgra_.rows, static_cast<int>(bgra_.step)));
  context_.reset(cairo_create(surface_.get()));
  cairo_scale(context_.get(), px_per_pt, px_per_pt);
  drawing_ = std::make_unique<Drawing>(context_.get());
}

cv::Mat PixelPage::Picture() {
  cairo_surface_flush(surface_.get());
  cv::Mat bgr;
  cv::cvtColor(bgra_, bgr, cv::COLOR_BGRA2BGR);
  return bgr;
}

std::string EncodeJpeg(const cv::Mat& bgr, int quality) {
  std::vector<unsigned char> bytes;
  try {
    if (!cv::imencode(".jpg", bgr, bytes, {cv::IMWRITE_JPEG_QUALITY, quality})) return {};
  } catch (const cv::Exception&) {
    return {};
  }
  return {reinterpret_cast<const char*>(bytes.data()), bytes.size()};
}

}  // namespace tinesight
