#pragma once

// For record/ alone: anti-aliased drawing on a photo through Cairo.
#include <cairo.h>

#include <Eigen/Core>
#include <memory>
#include <opencv2/core/mat.hpp>
#include <string>
#include <vector>

namespace tinesight {

struct Color {
  double red = 0.0;
  double green = 0.0;
  double blue = 0.0;
};

/// From 0xRRGGBB.
constexpr Color Rgb(unsigned hex) {
  return {static_cast<double>((hex >> 16U) & 0xFFU) / 255.0,
          static_cast<double>((hex >> 8U) & 0xFFU) / 255.0,
          static_cast<double>(hex & 0xFFU) / 255.0};
}

// Okabe and Ito's palette (Color Universal Design, 2008): apart for every common color blindness.
inline constexpr Color kOrange = Rgb(0xE69F00);
inline constexpr Color kSkyBlue = Rgb(0x56B4E9);
inline constexpr Color kYellow = Rgb(0xF0E442);
inline constexpr Color kVermilion = Rgb(0xD55E00);
inline constexpr Color kPurple = Rgb(0xCC79A7);
inline constexpr Color kWhite = Rgb(0xFFFFFF);
inline constexpr Color kGray = Rgb(0xBBBBBB);
inline constexpr Color kBlack = Rgb(0x000000);

struct LineStyle {
  Color color;
  double width_px = 1.0;
  std::vector<double> dashes_px;  ///< on, off, …; empty: solid
  double halo = 0.7;              ///< opacity of the dark rim that keeps a line visible on anything
};

enum class MarkShape { kDisc, kDiamond, kTriangle, kCross };

/// A picture to draw on. Positions are px with the center of the top-left pixel at (0, 0), as
/// everywhere (Cairo alone would put it at 0.5, 0.5).
class Canvas {
 public:
  /// Copies `bgr` (CV_8UC3).
  explicit Canvas(const cv::Mat& bgr);

  void Polyline(const std::vector<Eigen::Vector2d>& points_px, const LineStyle& style,
                bool closed = false);
  void Arrow(const Eigen::Vector2d& from_px, const Eigen::Vector2d& to_px, const LineStyle& style,
             double head_px);
  void Box(const Eigen::Vector2d& top_left_px, const Eigen::Vector2d& size_px, const Color& color,
           double opacity, double corner_px = 0.0);
  void Mark(MarkShape shape, const Eigen::Vector2d& center_px, double radius_px,
            const Color& color);
  /// `baseline_px`: left end of the text's baseline.
  void Text(const std::string& text, const Eigen::Vector2d& baseline_px, double size_px,
            const Color& color, bool bold = false);
  [[nodiscard]] double TextWidth(const std::string& text, double size_px, bool bold = false);

  [[nodiscard]] double Width() const { return bgra_.cols; }
  [[nodiscard]] double Height() const { return bgra_.rows; }
  /// The picture with everything drawn so far, CV_8UC3.
  [[nodiscard]] cv::Mat Picture();

 private:
  struct Release {
    void operator()(cairo_surface_t* surface) const { cairo_surface_destroy(surface); }
    void operator()(cairo_t* context) const { cairo_destroy(context); }
  };
  void SetColor(const Color& color, double opacity = 1.0);
  void SetFont(double size_px, bool bold);

  cv::Mat bgra_;  // outlives the surface, which draws into it
  std::unique_ptr<cairo_surface_t, Release> surface_;
  std::unique_ptr<cairo_t, Release> context_;
};

}  // namespace tinesight
