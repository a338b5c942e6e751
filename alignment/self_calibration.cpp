#include "alignment/self_calibration.hpp"

#include <utility>

#include "calibration/rig_camera.hpp"
#include "calibration/rig_pose.hpp"
#include "vision/photo.hpp"
#include "vision/rig_detection.hpp"

namespace tinesight {
namespace {

/// A photo without a calibration, and what it shows of the rig.
struct StrangePhoto {
  cv::Mat gray;
  ExifSummary exif;
  SurveyPhoto seen;
};

/// The photos that belong to no calibration. One that can't be read is refused later, when it is
/// measured.
std::vector<StrangePhoto> ReadStrangePhotos(const MeasureRequest& request) {
  std::vector<StrangePhoto> photos;
  for (const auto& file : request.photos) {
    const auto photo = ReadPhoto(file);
    if (!photo || CheckPhotoMatchesCamera(*photo, request.camera)) continue;
    if (!photos.empty() && (photo->gray.size() != photos.front().gray.size() ||
                            photo->exif.orientation != photos.front().exif.orientation)) {
      continue;
    }
    photos.push_back(
        {photo->gray, photo->exif, {file.string(), DetectTags(photo->gray, request.rig)}});
  }
  return photos;
}

}  // namespace

Result<void> SelfCalibrate(MeasureRequest& request) {
  std::vector<StrangePhoto> photos = ReadStrangePhotos(request);
  if (photos.empty()) return {};
  SurveyOptions options;
  options.width_px = photos.front().gray.cols;
  options.height_px = photos.front().gray.rows;
  const auto solve = [&] {
    std::vector<SurveyPhoto> seen;
    seen.reserve(photos.size());
    for (const StrangePhoto& photo : photos) seen.push_back(photo.seen);
    return CameraFromRig(seen, request.rig, options);
  };
  Result<Camera> camera = solve();
  if (camera && !request.rig.points.empty()) {
    // What cannot move, the saddle points, can be looked for once the tags have said where.
    for (StrangePhoto& photo : photos) {
      const auto pose = SolveRigPose(photo.seen.observations, request.rig, *camera);
      if (!pose) continue;
      RefineRigPoints(photo.gray, request.rig, *camera, *pose, photo.seen.observations);
    }
    camera = solve();
  }
  if (!camera) {
    return Fail(photos.front().seen.name +
                ": --self-calibrate cannot tell its camera: " + camera.error().message);
  }
  camera->exif = CameraExifOf(photos.front().exif);
  camera->exif_orientation = photos.front().exif.orientation;
  request.self_calibrated = std::move(*camera);
  return {};
}

}  // namespace tinesight
