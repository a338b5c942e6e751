#pragma once

#include <Eigen/Core>
#include <optional>
#include <string>
#include <vector>

namespace tinesight {

/// A point on a straight feature's center line, seen in a photo: only its distance across the
/// line's image is an observation, the place along the line is not.
struct AxisPoint {
  double along_mm = 0.0;  ///< place along the feature: mm from the pickup face toward the mount
  Eigen::Vector2d position_px = Eigen::Vector2d::Zero();
  double sigma_px = 1.0;  ///< standard uncertainty across the line
};

/// The center of a ring (bobbin flange or pole tip) seen in a photo.
struct CenterObservation {
  Eigen::Vector2d position_px = Eigen::Vector2d::Zero();
  double sigma_px = 1.0;  ///< standard uncertainty of one coordinate
};

/// The end of a straight feature seen in a photo: only its place along the feature's image is an
/// observation, its distance across is not.
struct EndObservation {
  Eigen::Vector2d position_px = Eigen::Vector2d::Zero();
  double sigma_px = 1.0;  ///< standard uncertainty along the image
};

/// A point on a straight edge across the notes: only its distance from the edge's image is an
/// observation.
struct EdgeObservation {
  Eigen::Vector2d position_px = Eigen::Vector2d::Zero();
  double sigma_px = 1.0;  ///< standard uncertainty across the edge
};

/// What one photo shows of one note. An absent part was not found; `problem` says why where the
/// tine or the pickup is missing.
struct NoteObservation {
  int midi = 0;
  std::optional<CenterObservation> flange;  ///< the bobbin's flange toward the tine
  std::optional<CenterObservation> pole;    ///< the pole tip's face
  std::vector<AxisPoint> axis;
  std::optional<EndObservation> tip;          ///< where the tine ends before the pickup
  std::optional<EdgeObservation> block_edge;  ///< the block's upper edge toward the pickup
  /// How much farther along z than where a block of usual size is expected that edge seems.
  double block_beside_mm = 0.0;
  double axis_likeness = 0.0;  ///< correlation of the rod's look with its neighbors', -1 to 1
  double axis_score = 0.0;     ///< share of the visible rod whose outline was found, 0 to 1
  std::vector<AxisPoint> tone_bar;
  std::string problem;
};

}  // namespace tinesight
