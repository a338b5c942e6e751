#pragma once

#include <cstddef>
#include <vector>

#include "alignment/measure_visit.hpp"
#include "calibration/camera.hpp"
#include "calibration/error.hpp"

namespace tinesight {

struct Photo;

/// Photos that may have been taken with one camera.
struct CameraGroup {
  Camera signs;                     ///< only size, orientation and what EXIF says of the camera
  std::vector<std::size_t> photos;  ///< places in the list given
};

/// Sorts photos by the camera that they may have been taken with: those of one group agree in size
/// and orientation, and nothing that EXIF says of their cameras differs. The largest group first;
/// of equally large ones that of the larger pictures, as the others may be scaled copies; then
/// that of the earlier photo.
[[nodiscard]] std::vector<CameraGroup> GroupByCamera(const std::vector<Photo>& photos);

/// Finds request.self_calibrated from those photos of the request that do not belong to
/// request.camera, by the rig that they show (calibration/rig_camera.hpp). The largest group that
/// tells a camera gives it; the others are for CheckPhotoMatchesFound() to refuse one by one.
/// Leaves it absent where there is nothing to find, and where no photo tells a camera though some
/// belong to request.camera and can be measured. Fails with a photo's reason where none can.
[[nodiscard]] Result<void> SelfCalibrate(MeasureRequest& request);

/// Whether a photo can be measured with a camera that SelfCalibrate() found. The error is in words
/// for someone who has no calibration.
[[nodiscard]] Result<void> CheckPhotoMatchesFound(const Photo& photo, const Camera& found);

}  // namespace tinesight
