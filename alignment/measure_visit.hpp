#pragma once

#include <filesystem>
#include <functional>
#include <optional>
#include <string_view>
#include <vector>

#include "alignment/measurement.hpp"
#include "alignment/profile.hpp"
#include "calibration/camera.hpp"
#include "calibration/error.hpp"
#include "calibration/rig.hpp"

namespace tinesight {

/// Everything that one visit is measured from.
struct MeasureRequest {
  std::vector<std::filesystem::path> photos;
  Camera camera;  ///< as calibrated; width_px 0: there is no calibration
  /// Camera of the photos that do not belong to `camera` (SelfCalibrate() finds it); absent: such
  /// photos are refused.
  std::optional<Camera> self_calibrated;
  Rig rig;
  InstrumentProfile profile;
  std::optional<int> first_midi;  ///< lowest note in view, where no register card says it
  DamperState damper = DamperState::kUnknown;  ///< of every photo of this call
  /// Existing folder for the pictures of every stage; absent: none are written.
  std::optional<std::filesystem::path> debug_dir;
};

/// Told now and then how far the work is: fraction 0 to 1 and what is being done, in two or three
/// words. Called from the thread that called MeasureVisit.
using ProgressFn = std::function<void(double fraction, std::string_view stage)>;

/// From photos to every note's figures and verdicts: reads each photo (several at a time, as the
/// machine has cores, with the same result), finds rig and notes, solves all photos together and
/// judges. The result lists every photo of the request in its order, with `file` as given; a
/// refused one has used = false and says why in its first warning. Fails only when no photo at all
/// could be used in a way worth reporting photo by photo.
[[nodiscard]] Result<VisitMeasurement> MeasureVisit(const MeasureRequest& request,
                                                    const ProgressFn& progress);

}  // namespace tinesight
