#pragma once

// For record/ alone: what the report's pages and pictures are drawn with, Cairo for shapes and
// Pango for text, on paper and on pixels alike.
#include <pango/pangocairo.h>

#include <Eigen/Core>
#include <memory>
#include <string>
#include <string_view>
#include <vector>

#include "record/canvas.hpp"

namespace tinesight {

/// A rectangle in pt (1/72 inch), y downward.
struct Rect {
  double left = 0.0;
  double top = 0.0;
  double width = 0.0;
  double height = 0.0;

  [[nodiscard]] double Right() const { return left + width; }
  [[nodiscard]] double Bottom() const { return top + height; }
  [[nodiscard]] Eigen::Vector2d Center() const { return {left + 0.5 * width, top + 0.5 * height}; }
  [[nodiscard]] Rect Inset(double by_pt) const {
    return {left + by_pt, top + by_pt, width - 2.0 * by_pt, height - 2.0 * by_pt};
  }
};

struct Stroke {
  double width_pt = 0.6;
  Color color = kBlack;
  std::vector<double> dashes_pt;  ///< on, off, …; empty: solid
};

enum class TextAlign { kLeft, kCenter, kRight };

struct Font {
  double size_pt = 9.0;
  bool bold = false;
  bool italic = false;
  Color color = kBlack;
  TextAlign align = TextAlign::kLeft;
};

// Ink: grays that stay apart on a black-and-white printer.
inline constexpr Color kDarkGray = Rgb(0x444444);
inline constexpr Color kMidGray = Rgb(0x777777);
inline constexpr Color kLightGray = Rgb(0xC8C8C8);
inline constexpr Color kPaleGray = Rgb(0xEDEDED);

enum class MarkFill { kFilled, kHollow };

/// Draws on a Cairo context that someone else owns and keeps alive. Positions are pt with y
/// downward; on pixels the context's owner has scaled it so that they are.
class Drawing {
 public:
  explicit Drawing(cairo_t* context);

  void Line(const Eigen::Vector2d& from, const Eigen::Vector2d& to, const Stroke& stroke = {});
  void Polyline(const std::vector<Eigen::Vector2d>& points, const Stroke& stroke,
                bool closed = false);
  void FillPolygon(const std::vector<Eigen::Vector2d>& points, const Color& color);
  void FillBox(const Rect& box, const Color& color);
  void StrokeBox(const Rect& box, const Stroke& stroke);
  void FillCircle(const Eigen::Vector2d& center, double radius, const Color& color);
  /// Axes along x and y.
  void StrokeEllipse(const Eigen::Vector2d& center, const Eigen::Vector2d& semi_axes,
                     const Stroke& stroke);
  /// Semi-axes are the columns.
  void StrokeEllipse(const Eigen::Vector2d& center, const Eigen::Matrix2d& semi_axes,
                     const Stroke& stroke);
  /// A verdict's mark; hollow ones have white inside.
  void Mark(MarkShape shape, const Eigen::Vector2d& center, double radius, const Color& color,
            MarkFill fill = MarkFill::kFilled);
  /// A JPEG, filling the box; kept as it is in a PDF, so give it bytes without EXIF. False: it
  /// can't be decoded.
  bool Jpeg(const std::string& bytes, const Rect& box);

  void PushClip(const Rect& box);
  void PopClip();

  /// Text broken into lines of at most `width` pt; gives the height it took. A word longer than a
  /// line is broken too. With `max_lines`, what is left over is cut with "…".
  double Text(std::string_view text, const Eigen::Vector2d& top_left, double width,
              const Font& font, int max_lines = 0);
  [[nodiscard]] double TextHeight(std::string_view text, double width, const Font& font,
                                  int max_lines = 0);
  /// The lines that Text would break it into.
  [[nodiscard]] std::vector<std::string> Lines(std::string_view text, double width,
                                               const Font& font);
  /// Text on one line with the middle of its height at y; x is its left end, center or right end,
  /// as font.align says.
  void Label(std::string_view text, const Eigen::Vector2d& at, const Font& font);
  [[nodiscard]] double LabelWidth(std::string_view text, const Font& font);
  [[nodiscard]] double LineHeight(const Font& font);

 private:
  struct Unref {
    void operator()(void* object) const;
  };
  using Layout = std::unique_ptr<PangoLayout, Unref>;
  // width < 0: one line as long as it gets.
  Layout MakeLayout(std::string_view text, double width, const Font& font, int max_lines);
  void SetColor(const Color& color);
  void Apply(const Stroke& stroke);
  void Path(const std::vector<Eigen::Vector2d>& points);

  cairo_t* context_;
  std::unique_ptr<PangoContext, Unref> text_context_;
};

/// A picture to draw on in pt.
class PixelPage {
 public:
  /// Copies `bgr` (CV_8UC3).
  PixelPage(const cv::Mat& bgr, double px_per_pt);
  [[nodiscard]] Drawing& Draw() { return *drawing_; }
  /// The picture with everything drawn so far, CV_8UC3.
  [[nodiscard]] cv::Mat Picture();

 private:
  struct Release {
    void operator()(cairo_surface_t* surface) const { cairo_surface_destroy(surface); }
    void operator()(cairo_t* context) const { cairo_destroy(context); }
  };
  cv::Mat bgra_;  // outlives the surface, which draws into it
  std::unique_ptr<cairo_surface_t, Release> surface_;
  std::unique_ptr<cairo_t, Release> context_;
  std::unique_ptr<Drawing> drawing_;
};

/// JPEG bytes of a picture (CV_8UC3), without any EXIF; empty where it can't be encoded.
[[nodiscard]] std::string EncodeJpeg(const cv::Mat& bgr, int quality);

}  // namespace tinesight
