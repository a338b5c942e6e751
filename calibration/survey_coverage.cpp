#include <algorithm>
#include <cmath>

#include "calibration/survey.hpp"

namespace tinesight {
namespace {

struct Region {
  int column;  // 0 left, 1 middle, 2 right
  int row;     // 0 upper, 1 middle, 2 lower
  const char* name;
};

// Corners first: they are what is forgotten, and where a lens distorts most.
constexpr std::array<Region, 9> kRegions = {{{0, 0, "upper-left corner"},
                                             {2, 0, "upper-right corner"},
                                             {0, 2, "lower-left corner"},
                                             {2, 2, "lower-right corner"},
                                             {0, 1, "left edge"},
                                             {2, 1, "right edge"},
                                             {1, 0, "upper edge"},
                                             {1, 2, "lower edge"},
                                             {1, 1, "middle"}}};

/// Angle of the rig's x axis in the image, from the image's x axis.
double RollRad(const SurveyPhotoReport& photo) {
  const Eigen::Matrix3d turn = photo.pose.camera_from_rig.linear();
  return std::atan2(turn(1, 0), turn(0, 0));
}

}  // namespace

void CoverageMap::Add(const Eigen::Vector2d& position_px, int width_px, int height_px) {
  const int column = static_cast<int>(std::floor((position_px.x() + 0.5) * kColumns / width_px));
  const int row = static_cast<int>(std::floor((position_px.y() + 0.5) * kRows / height_px));
  if (column < 0 || column >= kColumns || row < 0 || row >= kRows) return;
  ++marks[static_cast<std::size_t>(row * kColumns + column)];
}

void CoverageMap::Add(const CoverageMap& other) {
  for (std::size_t i = 0; i < marks.size(); ++i) marks[i] += other.marks[i];
}

double CoverageMap::Share() const {
  const auto filled = std::count_if(marks.begin(), marks.end(), [](int n) { return n > 0; });
  return static_cast<double>(filled) / static_cast<double>(marks.size());
}

std::vector<std::string> EmptyRegions(const CoverageMap& coverage) {
  std::vector<std::string> names;
  for (const Region& region : kRegions) {
    int empty = 0;
    int cells = 0;
    for (int row = 0; row < CoverageMap::kRows; ++row) {
      for (int column = 0; column < CoverageMap::kColumns; ++column) {
        // Three of eight columns at either side, so that a corner is 3 × 2 cells.
        const int in_column = column < 3 ? 0 : column < 5 ? 1 : 2;
        if (in_column != region.column || row / 2 != region.row) continue;
        ++cells;
        const auto index = static_cast<std::size_t>(row * CoverageMap::kColumns + column);
        empty += coverage.marks[index] == 0 ? 1 : 0;
      }
    }
    if (2 * empty >= cells) names.emplace_back(region.name);
  }
  return names;
}

std::vector<std::string> SuggestPhotos(const Survey& survey) {
  std::vector<std::string> suggestions;
  for (const std::string& region : EmptyRegions(survey.coverage)) {
    suggestions.push_back("no photo has much of the rig in the " + region +
                          " of the image: take one with a bar there");
  }
  double nearest = 0.0;
  double farthest = 0.0;
  bool upright = false;
  bool lying = false;
  int used = 0;
  for (const SurveyPhotoReport& photo : survey.photos) {
    if (!photo.used) continue;
    nearest = used == 0 ? photo.distance_mm : std::min(nearest, photo.distance_mm);
    farthest = std::max(farthest, photo.distance_mm);
    const bool across = std::abs(std::sin(RollRad(photo))) > std::sqrt(0.5);
    upright = upright || across;
    lying = lying || !across;
    ++used;
  }
  constexpr double kWantedTilt_rad = 30.0 * M_PI / 180.0;
  if (survey.tilt_rad < kWantedTilt_rad) {
    suggestions.emplace_back(
        "tilt the phone more: take photos from the left, the right, above and below, 20° to 40° "
        "off");
  }
  if (used > 0 && farthest < 1.25 * nearest) {
    suggestions.emplace_back(
        "all photos are from about the same distance: take two from nearer and two from farther");
  }
  if (used > 0 && !(upright && lying)) {
    suggestions.emplace_back("turn the phone by 90° for two or three photos");
  }
  if (used < 10) {
    suggestions.push_back("take " + std::to_string(12 - used) +
                          " photos more: the uncertainties fall with their number");
  }
  return suggestions;
}

}  // namespace tinesight
