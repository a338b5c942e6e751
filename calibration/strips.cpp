#include "calibration/strips.hpp"

#include <algorithm>
#include <cmath>
#include <map>
#include <opencv2/aruco.hpp>
#include <utility>

namespace tinesight {
namespace {

constexpr int kTagCells = 8;  // 6 × 6 bits and the black border
constexpr double kLowestReadingMm = 95.0;
constexpr double kHighestReadingMm = 105.0;

// White between a saddle point's squares and the next tag: a cut goes through its middle.
constexpr double kCutOffsetMm = 0.5 * (kSaddleSideMm + 0.5 * (kTagPitchMm - kTagSideMm));

std::string Short(double value) {
  std::string text = std::to_string(value);
  text.erase(text.find_last_not_of('0') + 1);
  if (text.back() == '.') text.pop_back();
  return text;
}

Result<void> CheckReading(const std::optional<double>& reading_mm, const char* name) {
  if (!reading_mm || (*reading_mm >= kLowestReadingMm && *reading_mm <= kHighestReadingMm)) {
    return {};
  }
  return Fail(std::string("the check line ") + name + " the strip reads " + Short(*reading_mm) +
              " mm; a 1:1 print reads 95 to 105 mm: print again at 100 % (no \"fit to page\") and "
              "measure the line marked 100 mm");
}

Result<void> CheckUncertainty(double value, double highest, const char* name) {
  if (value > 0.0 && value <= highest) return {};
  return Fail(std::string(name) + " is " + Short(value) + "; it must be above 0 and at most " +
              Short(highest));
}

// Scale of the print in one direction, and its relative standard uncertainty.
struct PrintScale {
  double factor = 1.0;
  double u = 0.0;
};

PrintScale ScaleOf(const std::optional<double>& reading_mm, const StripOptions& options) {
  if (!reading_mm) return {1.0, options.unread_scale_u};
  return {*reading_mm / kCheckLineMm, options.reading_u_mm / kCheckLineMm};
}

Rig BuildRig(const PrintScale& along, const PrintScale& across, double placement_u_mm) {
  const auto uncertainty_mm = [&](double dx_mm, double dy_mm) {
    return std::hypot(placement_u_mm, along.u * dx_mm, across.u * dy_mm);
  };
  const double half_mm = 0.5 * kTagSideMm;
  Rig rig;
  for (const StripBar& bar : kStripBars) {
    const auto place = [&](double x_mm, double y_mm) {
      return Eigen::Vector3d(along.factor * x_mm, bar.y_mm + across.factor * y_mm, bar.z_mm);
    };
    for (int i = 0; i < kTagsPerStrip; ++i) {
      const double x_mm = TagCenterXMm(i);
      RigTag tag;
      tag.id = bar.first_id + i;
      tag.corners_mm = {place(x_mm - half_mm, -half_mm), place(x_mm + half_mm, -half_mm),
                        place(x_mm + half_mm, half_mm), place(x_mm - half_mm, half_mm)};
      tag.u_mm = uncertainty_mm(std::abs(x_mm) + half_mm, half_mm);
      rig.tags.push_back(tag);
    }
    for (int j = 0; j < kPointsPerStrip; ++j) {
      RigPoint point;
      point.id = bar.first_id + j;
      point.position_mm = place(SaddleXMm(j), 0.0);
      point.u_mm = uncertainty_mm(SaddleXMm(j), 0.0);
      rig.points.push_back(point);
    }
  }
  return rig;
}

using Vertex = std::array<int, 2>;  // column, row of a corner between cells
using BorderSteps = std::multimap<Vertex, Vertex>;

// One step for every side of a black cell that white or the outside lies beyond, black at the
// right hand. Where two black cells touch at a corner only, either way on is an outline.
BorderSteps BorderStepsOf(int id) {
  cv::Mat cells;  // one pixel a cell
  cv::aruco::drawMarker(cv::aruco::getPredefinedDictionary(cv::aruco::DICT_APRILTAG_36h11), id,
                        kTagCells, cells, 1);
  const auto black = [&](int column, int row) {
    return column >= 0 && column < kTagCells && row >= 0 && row < kTagCells &&
           cells.at<unsigned char>(row, column) == 0;
  };
  BorderSteps steps;
  for (int row = 0; row < kTagCells; ++row) {
    for (int column = 0; column < kTagCells; ++column) {
      if (!black(column, row)) continue;
      const Vertex top_left{column, row};
      const Vertex top_right{column + 1, row};
      const Vertex bottom_right{column + 1, row + 1};
      const Vertex bottom_left{column, row + 1};
      if (!black(column, row - 1)) steps.emplace(top_left, top_right);
      if (!black(column + 1, row)) steps.emplace(top_right, bottom_right);
      if (!black(column, row + 1)) steps.emplace(bottom_right, bottom_left);
      if (!black(column - 1, row)) steps.emplace(bottom_left, top_left);
    }
  }
  return steps;
}

}  // namespace

std::vector<OutlineMm> TagOutlines(int id, double side_mm) {
  BorderSteps steps = BorderStepsOf(id);
  std::vector<OutlineMm> outlines;
  while (!steps.empty()) {
    const Vertex start = steps.begin()->first;
    OutlineMm outline;
    Vertex at = start;
    Vertex direction{0, 0};
    do {
      const auto step = steps.find(at);  // borders are closed: there is one
      const Vertex next = step->second;
      steps.erase(step);
      const Vertex turned{next[0] - at[0], next[1] - at[1]};
      if (turned != direction) {
        outline.emplace_back(at[0] * side_mm / kTagCells, at[1] * side_mm / kTagCells);
      }
      direction = turned;
      at = next;
    } while (at != start);
    outlines.push_back(std::move(outline));
  }
  return outlines;
}

std::array<RectangleMm, 2> SaddleSquares() {
  return {RectangleMm{-kSaddleSideMm, -kSaddleSideMm, kSaddleSideMm, kSaddleSideMm},
          RectangleMm{0.0, 0.0, kSaddleSideMm, kSaddleSideMm}};
}

Result<std::vector<StripPiece>> CutStrip(double usable_mm, double tab_mm) {
  const double half_mm = 0.5 * kStripLengthMm;
  for (int count = 1; count <= kTagsPerStrip; ++count) {
    std::vector<StripPiece> pieces;
    double begin_mm = -half_mm;
    bool fits = true;
    for (int piece = 1; piece <= count; ++piece) {
      double end_mm = half_mm;
      if (piece < count) {
        const double wanted_mm = -half_mm + piece * kStripLengthMm / count;
        const double saddle = std::round((wanted_mm - kCutOffsetMm) / kTagPitchMm);
        end_mm = saddle * kTagPitchMm + kCutOffsetMm;
      }
      const double printed_mm = end_mm - begin_mm + (piece < count ? tab_mm : 0.0);
      fits = fits && end_mm > begin_mm && printed_mm <= usable_mm;
      pieces.push_back({begin_mm, end_mm});
      begin_mm = end_mm;
    }
    if (fits) return pieces;
  }
  return Fail("the sheet is too narrow: no piece of a strip fits in " + Short(usable_mm) + " mm");
}

Result<void> StripOptions::Validate() const {
  return CheckReading(measured_along_mm, "along")
      .and_then([&] { return CheckReading(measured_across_mm, "across"); })
      .and_then([&] { return CheckUncertainty(reading_u_mm, 1.0, "reading_u_mm"); })
      .and_then([&] { return CheckUncertainty(unread_scale_u, 0.05, "unread_scale_u"); })
      .and_then([&] { return CheckUncertainty(placement_u_mm, 5.0, "placement_u_mm"); });
}

Rig NominalRig() { return BuildRig({}, {}, StripOptions{}.placement_u_mm); }

Result<Rig> PrintedRig(const StripOptions& options) {
  if (const auto valid = options.Validate(); !valid) return tl::unexpected(valid.error());
  return BuildRig(ScaleOf(options.measured_along_mm, options),
                  ScaleOf(options.measured_across_mm, options), options.placement_u_mm);
}

}  // namespace tinesight
