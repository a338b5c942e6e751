#pragma once

#include <Eigen/Core>

#include "calibration/rig.hpp"

namespace tinesight::test {

/// The default strips' 12 mm tag, upright and facing the camera, with its center at `center_mm` of
/// the rig (y down in the picture, z away from the camera).
inline RigTag FacingTag(int id, const Eigen::Vector3d& center_mm, double u_mm) {
  constexpr double kHalfSide_mm = 6.0;
  const Eigen::Vector3d right_mm(kHalfSide_mm, 0.0, 0.0);
  const Eigen::Vector3d down_mm(0.0, kHalfSide_mm, 0.0);
  RigTag tag;
  tag.id = id;
  tag.corners_mm = {center_mm - right_mm - down_mm, center_mm + right_mm - down_mm,
                    center_mm + right_mm + down_mm, center_mm - right_mm + down_mm};
  tag.u_mm = u_mm;
  return tag;
}

}  // namespace tinesight::test
