#include "vision/block_screen.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

namespace tinesight {
namespace {

// So near a block its outline may be taken for what it hides.
constexpr double kMarginMm = 0.7;
constexpr double kTopMarginMm = 0.3;

constexpr double kHalfWidthMm = UsualBlock::kHalfWidthMm + kMarginMm;
constexpr double kTopMm = UsualBlock::kHalfHeightMm + kTopMarginMm;  // above the tine's axis
constexpr double kBackMm = UsualBlock::kLengthMm + kMarginMm;        // behind the root
constexpr double kFrontMm = kMarginMm;

using Range = std::pair<double, double>;

/// The part of `range`, of the factor t, in which start + t·step lies between two bounds.
Range Within(double start, double step, double low, double high, const Range& range) {
  constexpr double kLevel = 1e-9;
  if (std::abs(step) < kLevel) return start > low && start < high ? range : Range{1.0, 0.0};
  double enters = (low - start) / step;
  double leaves = (high - start) / step;
  if (enters > leaves) std::swap(enters, leaves);
  return {std::max(range.first, enters), std::min(range.second, leaves)};
}

}  // namespace

BlockScreen::BlockScreen(const Eigen::Vector3d& camera_mm, std::vector<Eigen::Vector3d> roots_mm)
    : camera_mm_(camera_mm), roots_mm_(std::move(roots_mm)) {}

bool BlockScreen::Hides(const Eigen::Vector3d& point_mm) const {
  const Eigen::Vector3d sight = camera_mm_ - point_mm;
  return std::any_of(roots_mm_.begin(), roots_mm_.end(), [&](const Eigen::Vector3d& root) {
    // A block reaches down to the bar, and what is looked at lies no lower.
    Range range =
        Within(point_mm.y(), sight.y(), root.y() - kTopMm, point_mm.y() + 1.0, {0.0, 1.0});
    range =
        Within(point_mm.x(), sight.x(), root.x() - kHalfWidthMm, root.x() + kHalfWidthMm, range);
    range = Within(point_mm.z(), sight.z(), root.z() - kBackMm, root.z() + kFrontMm, range);
    return range.first < range.second;
  });
}

}  // namespace tinesight
