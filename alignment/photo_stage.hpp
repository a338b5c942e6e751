#pragma once

#include <Eigen/Geometry>
#include <map>

#include "alignment/harp_solve.hpp"
#include "alignment/measure_visit.hpp"
#include "vision/note_detection.hpp"
#include "vision/pickup_detection.hpp"
#include "vision/pickup_row.hpp"

namespace tinesight {

/// One photo after everything that can be done with it alone. Tone bars are left to the second
/// look.
struct StagedPhoto {
  std::size_t request_index = 0;
  PhotoObservations observations;
  double noise_sigma = 0.0;             ///< of its picture, gray levels (vision/sharpening.hpp)
  PickupRowOptions row_options;         ///< with which its pickups were found, rig frame
  std::vector<NoteGeometry> geometry;   ///< of its notes, as the profile has them
  std::vector<DetectedPickup> pickups;  ///< parallel to `geometry`
  /// Where the harp stands by this photo alone (vision/harp_place.hpp), and where that puts the
  /// tip of each pickup, by MIDI number: near enough to start from.
  Eigen::Isometry3d rig_from_harp = Eigen::Isometry3d::Identity();
  std::map<int, Eigen::Vector3d> pickup_rig_mm;
};

/// Reads photo `index` of the request, solves its pose from the rig, finds its notes and names
/// them. Fills `report` (tags, rms, warnings). The error says why the photo can't be measured.
[[nodiscard]] Result<StagedPhoto> StagePhoto(const MeasureRequest& request, std::size_t index,
                                             PhotoMeasurement& report);

}  // namespace tinesight
