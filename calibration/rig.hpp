#pragma once

#include <Eigen/Core>
#include <array>
#include <filesystem>
#include <vector>

#include "calibration/error.hpp"

namespace tinesight {

/// A square tag of the 36h11 family on the rig. Corners in rig mm in the order top-left,
/// top-right, bottom-right, bottom-left of the upright printed black square.
struct RigTag {
  int id = 0;
  std::array<Eigen::Vector3d, 4> corners_mm;
  double u_mm = 0.05;  ///< standard uncertainty of a corner coordinate

  [[nodiscard]] Eigen::Vector3d CenterMm() const {
    return 0.25 * (corners_mm[0] + corners_mm[1] + corners_mm[2] + corners_mm[3]);
  }
};

/// A checkerboard saddle point on the rig: it does not move with ink spread or gamma.
struct RigPoint {
  int id = 0;
  Eigen::Vector3d position_mm = Eigen::Vector3d::Zero();
  double u_mm = 0.05;  ///< standard uncertainty of a coordinate
};

/// The rig file: where every printed tag and saddle point is, in the rig's own frame
/// (nominally the harp frame: +x treble, +y up as played, +z from mount to pickup).
struct Rig {
  std::vector<RigTag> tags;
  std::vector<RigPoint> points;

  [[nodiscard]] const RigTag* FindTag(int id) const;
  [[nodiscard]] const RigPoint* FindPoint(int id) const;
};

/// First id of the register cards: a card's id is this plus the MIDI number of its note.
inline constexpr int kRegisterCardBaseId = 200;

[[nodiscard]] Result<Rig> ReadRig(const std::filesystem::path& file);
/// Writes a rig file; whole or not at all.
[[nodiscard]] Result<void> WriteRig(const Rig& rig, const std::filesystem::path& file);

}  // namespace tinesight
