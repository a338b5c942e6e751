#pragma once

#include <Eigen/Core>
#include <vector>

#include "vision/note_observation.hpp"
#include "vision/photo_view.hpp"

namespace tinesight {

/// Where a note's tine was found, which is where its tone bar is looked for. Carrier frame, mm.
struct ToneBarPrediction {
  Eigen::Vector3d root_mm = Eigen::Vector3d::Zero();  ///< of the tine
  double length_mm = 100.0;                           ///< of the tine
  double root_along_mm = 100.0;                       ///< the root's AxisPoint::along_mm
};

struct ToneBarOptions {
  double note_spacing_mm = 13.7;
  double width_mm = 0.0;  ///< of the bars where the profile knows it; 0: found from the photo
  /// Direction that all tone bars share, from mount to pickup, z = 1: the rig may be clamped askew.
  Eigen::Vector3d direction = Eigen::Vector3d::UnitZ();
};

/// The middle lines of the tone bars' faces toward the camera, parallel to `notes`: two points
/// each, or none where no pair of straight edges stands out.
///
/// The picture is straightened to a plane parallel to the bars' faces, where every edge of a bar
/// is a line along it however far behind the tines the faces lie: a plane at the wrong distance
/// only moves and stretches what it shows as seen from the camera. All bars have one width and one
/// distance behind their tines; both are voted for by all notes together, and so the bars are told
/// from the gaps between them and from the blocks on them.
[[nodiscard]] std::vector<std::vector<AxisPoint>> DetectToneBars(
    const PhotoView& view, const std::vector<ToneBarPrediction>& notes,
    const ToneBarOptions& options);

}  // namespace tinesight
