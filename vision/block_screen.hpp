#pragma once

#include <Eigen/Core>
#include <vector>

namespace tinesight {

/// A block about the tine that it holds, as large as usual ones get: the tine leaves the middle of
/// its front. Common practice, no source: blocks are 6 to 8 mm wide and high and 10 to 13 mm long.
///
/// These say what a block may hide, and how high its edge is looked for. So they are half of the
/// widest, the longest, and half of the highest with 0.5 mm to spare (chosen with the first
/// detector, not measured). The solve's prior of that edge's height leans to neither side: half of
/// 7 mm, HarpSolveOptions::usual_block_top_mm.
struct UsualBlock {
  static constexpr double kHalfWidthMm = 4.0;
  static constexpr double kHalfHeightMm = 4.5;
  static constexpr double kLengthMm = 13.0;
};

/// What the blocks that hold the tines hide, as seen from the camera. They stand on the tone bars
/// and are the tallest things between camera and bars: what shows beside a bar there is often a
/// block's edge. Blocks of usual size with a margin, so that their outlines don't count either.
/// All in the carrier frame, mm (y down in the picture, z away from the camera).
class BlockScreen {
 public:
  /// `roots_mm`: where the tines leave their blocks.
  BlockScreen(const Eigen::Vector3d& camera_mm, std::vector<Eigen::Vector3d> roots_mm);

  /// Whether a block stands between the camera and a point under the tines.
  [[nodiscard]] bool Hides(const Eigen::Vector3d& point_mm) const;

 private:
  Eigen::Vector3d camera_mm_;
  std::vector<Eigen::Vector3d> roots_mm_;
};

}  // namespace tinesight
