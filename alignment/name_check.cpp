#include "alignment/name_check.hpp"

#include <algorithm>
#include <cmath>

#include "calibration/median.hpp"
#include "vision/block_screen.hpp"

namespace tinesight {
namespace {

constexpr std::size_t kFewestTines = 6;
// Of notes named right 92 to 100 % showed their block's edge, on 27 rendered photos of three
// looks; of notes named 6 to 23 semitones wrong 44 to 63 %.
constexpr double kLeastShare = 0.75;
// Named right, the median edge was within 0.9 mm of where it was expected.
constexpr double kMostMm = 3.5;
// Common practice, no source: blocks are 6 to 8 mm high.
constexpr double kLowestHalfMm = 3.0;
constexpr double kHighestHalfMm = 4.0;

/// How far along z the upper edge of a block seems to lie from where that of a block of usual size
/// is looked for.
double SeemsBesideMm(double half_height_mm, const BlockSight& sight) {
  return (half_height_mm - UsualBlock::kHalfHeightMm) / sight.tan_elevation;
}

}  // namespace

std::optional<std::string> LengthMismatch(const std::vector<NoteObservation>& notes,
                                          const BlockSight& sight) {
  std::size_t tines = 0;
  std::vector<double> beside_mm;
  for (const NoteObservation& note : notes) {
    if (note.axis.size() < 2) continue;
    ++tines;
    if (note.block_edge) beside_mm.push_back(note.block_beside_mm);
  }
  if (tines < kFewestTines) return std::nullopt;
  if (static_cast<double>(beside_mm.size()) < kLeastShare * static_cast<double>(tines)) {
    std::string text("only ");
    text += std::to_string(beside_mm.size()) + " of its " + std::to_string(tines);
    return text + " tines come out of their blocks where the profile's lengths say";
  }
  const double half_mm = 0.5 * sight.block_height_mm;
  const bool known = half_mm > 0.0;
  const double nearest_mm = SeemsBesideMm(known ? half_mm : kHighestHalfMm, sight);
  const double farthest_mm = SeemsBesideMm(known ? half_mm : kLowestHalfMm, sight);
  const double median_mm = MedianOf(beside_mm);
  const double off_mm = median_mm - std::clamp(median_mm, farthest_mm, nearest_mm);
  if (std::abs(off_mm) <= kMostMm) return std::nullopt;
  return "its tines are some " + std::to_string(std::lround(std::abs(off_mm))) + " mm " +
         (off_mm > 0.0 ? "shorter" : "longer") + " than the profile's";
}

}  // namespace tinesight
