#pragma once

#include <Eigen/Core>
#include <array>
#include <vector>

namespace tinesight {

/// A tag seen in a photo: corners in px (center of the top-left pixel at 0, 0), same order as
/// RigTag, each with the standard uncertainty of one coordinate.
struct TagObservation {
  int id = 0;
  std::array<Eigen::Vector2d, 4> corners_px;
  double sigma_px = 0.3;
  double blur_px = 0.0;  ///< Gaussian sigma of the tag's edges, 0 if unknown
};

/// A saddle point of the rig seen in a photo.
struct PointObservation {
  int id = 0;
  Eigen::Vector2d position_px = Eigen::Vector2d::Zero();
  double sigma_px = 0.1;
};

/// Everything of the rig that one photo shows. Register cards (ids from kRegisterCardBaseId) are
/// among the tags.
struct RigObservations {
  std::vector<TagObservation> tags;
  std::vector<PointObservation> points;
};

}  // namespace tinesight
