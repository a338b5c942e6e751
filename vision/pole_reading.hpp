#pragma once

#include <Eigen/Core>
#include <optional>

#include "vision/photo_view.hpp"

namespace tinesight {

/// The middle of a pole tip's face, from where it should be in its plane.
struct PolePlace {
  Eigen::Vector2d offset_mm = Eigen::Vector2d::Zero();
  double sigma_mm = 1.0;  ///< standard uncertainty of one coordinate
};

/// Where the middle of a pole tip's face is, whatever its shape, as a small network reads the
/// picture, which was trained on rendered pickups (vision/training). `expected_mm`: where it should
/// be, carrier frame; `wide_mm`: how wide the face is, as far as is known. nullopt: none stands out
/// within a mm of there.
[[nodiscard]] std::optional<PolePlace> ReadPole(const PhotoView& view,
                                                const Eigen::Vector3d& expected_mm, double wide_mm);

}  // namespace tinesight
