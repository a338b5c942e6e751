#pragma once

#include <Eigen/Core>
#include <map>

#include "alignment/harp_solve.hpp"
#include "alignment/measure_visit.hpp"

namespace tinesight {

/// One photo after everything that can be done with it alone.
struct StagedPhoto {
  std::size_t request_index = 0;
  PhotoObservations observations;
  /// Where each pickup's tip is seen in the plane z = 0 of the rig frame, by MIDI number.
  std::map<int, Eigen::Vector2d> pickup_plane_mm;
};

/// Reads photo `index` of the request, solves its pose from the rig, finds its notes and names
/// them. Fills `report` (tags, rms, warnings). The error says why the photo can't be measured.
[[nodiscard]] Result<StagedPhoto> StagePhoto(const MeasureRequest& request, std::size_t index,
                                             PhotoMeasurement& report);

}  // namespace tinesight
