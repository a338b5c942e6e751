#include <cmath>
#include <filesystem>
#include <numbers>
#include <numeric>
#include <optional>

#include "alignment/verdict.hpp"
#include "record/annotated_photo.hpp"
#include "record/overlay_style.hpp"
#include "record/result_json.hpp"
#include "record/text_util.hpp"

namespace tinesight {
namespace {

// The text, cut so that it ends inside the picture.
std::string Fitted(Canvas& canvas, double scale, std::string text, double size_px, bool bold) {
  const double room = canvas.Width() - 48.0 * scale;
  if (canvas.TextWidth(text, size_px, bold) <= room) return text;
  while (!text.empty() && canvas.TextWidth(text + "…", size_px, bold) > room) {
    do {
      text.pop_back();
    } while (!text.empty() && (static_cast<unsigned char>(text.back()) & 0x80U) != 0U);
  }
  return text + "…";
}

struct LegendItem {
  std::string text;
  std::optional<LineStyle> line;
  std::optional<Verdict> verdict;
  bool ring = false;
  bool arrow = false;
};

std::vector<LegendItem> LegendItems(double scale) {
  std::vector<LegendItem> items;
  items.push_back({"tine as found", FoundStyle(scale), {}});
  items.push_back({"where it should point", IdealStyle(scale), {}});
  items.push_back({"pole tip", RingStyle(scale), {}, true});
  items.push_back({"offset, " + FixedDecimals(kOffsetArrowScale, 0) + " × enlarged",
                   ArrowStyle(scale),
                   {},
                   false,
                   true});
  for (const Verdict verdict : {Verdict::kOutOfTolerance, Verdict::kUncertain,
                                Verdict::kInTolerance, Verdict::kNotMeasured}) {
    items.push_back({VerdictWord(verdict, Quantity::kLateral), {}, verdict});
  }
  return items;
}

void DrawLegendSymbol(Canvas& canvas, double scale, const LegendItem& item, double x, double y,
                      double width) {
  if (item.verdict) {
    const VerdictLook look = LookOf(*item.verdict);
    canvas.Mark(look.shape, {x + 0.5 * width, y}, 0.45 * kNameSizePx * scale, look.color);
  } else if (item.ring) {
    std::vector<Eigen::Vector2d> circle;
    for (int i = 0; i < 40; ++i) {
      const double angle = 2.0 * std::numbers::pi * i / 40;
      circle.emplace_back(x + 0.5 * width + 16.0 * scale * std::cos(angle),
                          y + 16.0 * scale * std::sin(angle));
    }
    canvas.Polyline(circle, *item.line, true);
  } else if (item.arrow) {
    canvas.Arrow({x, y}, {x + width, y}, *item.line, 22.0 * scale);
  } else {
    canvas.Polyline({{x, y}, {x + width, y}}, *item.line);
  }
}

}  // namespace

double DrawCaption(Canvas& canvas, double scale, const PhotoMeasurement& photo,
                   const VerdictCounts& counts) {
  const auto count = [&](Verdict v) { return std::to_string(counts[static_cast<std::size_t>(v)]); };
  std::string title =
      std::filesystem::path(photo.file).filename().string() + ": " +
      std::to_string(std::accumulate(counts.begin(), counts.end(), std::size_t{0})) + " notes; " +
      count(Verdict::kOutOfTolerance) + " re-center, " + count(Verdict::kUncertain) +
      " uncertain, " + count(Verdict::kInTolerance) + " centered, " + count(Verdict::kNotMeasured) +
      " not measured";
  std::string facts = std::to_string(photo.tags) + " tags, rms " + FixedDecimals(photo.rms_px, 2) +
                      " px; damper " + DamperWord(photo.damper) +
                      "; offsets from all photos of the visit, ± expanded uncertainty (k = 2)";
  std::vector<LabelLine> lines{{CleanText(title), kNameSizePx, kWhite, true},
                               {facts, kTextSizePx, kGray, false}};
  // The table lists all warnings; more than these would hide the notes.
  constexpr std::size_t kShownWarnings = 3;
  for (std::size_t i = 0; i < std::min(kShownWarnings, photo.warnings.size()); ++i) {
    lines.push_back({CleanText("Warning: " + photo.warnings[i]), kTextSizePx, kYellow, false});
  }
  double height = 1.5 * kPaddingPx * scale;
  for (const LabelLine& line : lines) height += 1.2 * line.size_px * scale;
  canvas.Box({-1.0, -1.0}, {canvas.Width() + 2.0, height}, kBlack, 0.8);
  double y = 0.5 * kPaddingPx * scale;
  for (const LabelLine& line : lines) {
    y += 1.2 * line.size_px * scale;
    const double size = line.size_px * scale;
    canvas.Text(Fitted(canvas, scale, line.text, size, line.bold), {24.0 * scale, y - 0.2 * size},
                size, line.color, line.bold);
  }
  return height + 10.0 * scale;
}

double DrawLegend(Canvas& canvas, double scale) {
  const double size = kTextSizePx * scale;
  const double line_height = 1.5 * size;
  const std::vector<LegendItem> items = LegendItems(scale);
  const auto symbol_width = [&](const LegendItem& item) {
    return (item.line && !item.ring ? 90.0 : 44.0) * scale;
  };
  // Flowed into as many lines as the width asks for: a portrait picture takes two.
  std::vector<std::pair<double, int>> places;
  double x = 24.0 * scale;
  int line = 0;
  for (const LegendItem& item : items) {
    const double width =
        symbol_width(item) + 12.0 * scale + canvas.TextWidth(item.text, size) + 44.0 * scale;
    if (x + width > canvas.Width() && x > 24.0 * scale) {
      x = 24.0 * scale;
      ++line;
    }
    places.emplace_back(x, line);
    x += width;
  }
  const double height = (line + 1) * line_height + kPaddingPx * scale;
  const double top = canvas.Height() - height;
  canvas.Box({-1.0, top}, {canvas.Width() + 2.0, height + 1.0}, kBlack, 0.8);
  for (std::size_t i = 0; i < items.size(); ++i) {
    const double middle = top + (places[i].second + 0.5) * line_height + 0.5 * kPaddingPx * scale;
    const double width = symbol_width(items[i]);
    DrawLegendSymbol(canvas, scale, items[i], places[i].first, middle, width);
    canvas.Text(items[i].text, {places[i].first + width + 12.0 * scale, middle + 0.35 * size}, size,
                kWhite);
  }
  return top - 10.0 * scale;
}

}  // namespace tinesight
