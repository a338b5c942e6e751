#include "alignment/self_calibration.hpp"

#include <algorithm>
#include <optional>
#include <string>
#include <utility>

#include "calibration/rig_bars.hpp"
#include "calibration/rig_camera.hpp"
#include "calibration/rig_pose.hpp"
#include "vision/photo.hpp"
#include "vision/rig_detection.hpp"

namespace tinesight {
namespace {

/// The photos that belong to no calibration. One that can't be read is in none of the figures: it
/// is refused when it is measured.
struct StrangePhotos {
  std::vector<Photo> photos;         // that show both bars
  std::vector<SurveyPhoto> seen;     // parallel to `photos`
  int useless = 0;                   // do not tell their camera
  std::optional<Error> why_useless;  // the first of these
  bool others_belong = false;        // to the calibration
};

std::string SizeText(int width_px, int height_px) {
  return std::to_string(width_px) + "×" + std::to_string(height_px) + " px";
}

Camera SignsOf(const Photo& photo) {
  Camera signs;
  signs.width_px = photo.bgr.cols;
  signs.height_px = photo.bgr.rows;
  signs.exif = CameraExifOf(photo.exif);
  signs.exif_orientation = photo.exif.orientation;
  return signs;
}

/// Takes over what `signs` leaves open, so that a photo without EXIF does not join two phones.
void FillIn(const CameraExif& more, CameraExif& signs) {
  for (const auto text : {&CameraExif::make, &CameraExif::model, &CameraExif::lens}) {
    if ((signs.*text).empty()) signs.*text = more.*text;
  }
  if (!signs.focal_length_mm) signs.focal_length_mm = more.focal_length_mm;
}

bool MayBeOf(const Photo& photo, const Camera& signs) {
  return photo.exif.orientation == signs.exif_orientation &&
         CheckPhotoMatchesCamera(photo, signs).has_value();
}

bool ShowsBothBars(const RigObservations& seen, const Rig& rig) {
  const RigBars bars = FindRigBars(rig);
  std::vector<bool> shown(static_cast<std::size_t>(bars.Count()), false);
  for (std::size_t i = 0; i < rig.tags.size(); ++i) {
    for (const TagObservation& tag : seen.tags) {
      if (tag.id == rig.tags[i].id) shown[static_cast<std::size_t>(bars.bar_of_tag[i])] = true;
    }
  }
  return std::count(shown.begin(), shown.end(), true) >= 2;
}

/// What the photo shows of the rig, or why it can't tell its camera.
Result<RigObservations> SeeRig(const Photo& photo, const Rig& rig) {
  constexpr int kSmallestSidePx = 100;  // as SurveyOptions::Validate() has it
  const std::string where = photo.file.string() + ": ";
  const int width_px = photo.gray.cols;
  const int height_px = photo.gray.rows;
  if (std::min(width_px, height_px) < kSmallestSidePx) {
    return Fail(where + "has only " + SizeText(width_px, height_px) +
                ", too small to show the rig; use the phone's own file");
  }
  // It may contradict itself: no photo with a digital zoom is measured.
  if (auto fits = CheckPhotoMatchesCamera(photo, SignsOf(photo)); !fits) {
    return tl::unexpected<Error>(fits.error());
  }
  RigObservations seen = DetectTags(photo.gray, rig);
  if (ShowsBothBars(seen, rig)) return seen;
  if (LooksMirrored(photo.gray, rig)) {
    return Fail(where + "the picture is mirrored; save it as taken, without flipping");
  }
  return Fail(where +
              "--self-calibrate cannot tell its camera: it does not show both bars of the rig; "
              "take it with both in view");
}

StrangePhotos ReadStrangePhotos(const MeasureRequest& request) {
  StrangePhotos strange;
  for (const auto& file : request.photos) {
    auto photo = ReadPhoto(file);
    if (!photo) continue;
    if (CheckPhotoMatchesCamera(*photo, request.camera)) {
      strange.others_belong = true;
      continue;
    }
    auto seen = SeeRig(*photo, request.rig);
    if (!seen) {
      ++strange.useless;
      if (!strange.why_useless) strange.why_useless = seen.error();
      continue;
    }
    photo->bgr = photo->gray;  // of the colors only the size counts: a quarter of the memory
    strange.photos.push_back(std::move(*photo));
    strange.seen.push_back({file.string(), std::move(*seen)});
  }
  return strange;
}

Result<Camera> CameraOfGroup(const CameraGroup& group, const StrangePhotos& strange,
                             const Rig& rig) {
  SurveyOptions options;
  options.width_px = group.signs.width_px;
  options.height_px = group.signs.height_px;
  std::vector<SurveyPhoto> seen;
  for (const std::size_t i : group.photos) seen.push_back(strange.seen[i]);
  Result<Camera> camera = CameraFromRig(seen, rig, options);
  if (camera && !rig.points.empty()) {
    // What cannot move, the saddle points, can be looked for once the tags have said where.
    for (std::size_t k = 0; k < seen.size(); ++k) {
      const auto pose = SolveRigPose(seen[k].observations, rig, *camera);
      if (!pose) continue;
      const cv::Mat& gray = strange.photos[group.photos[k]].gray;
      RefineRigPoints(gray, rig, *camera, *pose, seen[k].observations);
    }
    camera = CameraFromRig(seen, rig, options);
  }
  if (!camera) {
    return Fail(seen.front().name +
                ": --self-calibrate cannot tell its camera: " + camera.error().message);
  }
  camera->exif = group.signs.exif;
  camera->exif_orientation = group.signs.exif_orientation;
  return camera;
}

/// `why` with what is to be said of the other photos.
Error OfAllPhotos(const Error& why, std::size_t photos) {
  if (photos < 2) return why;
  const std::string others =
      photos == 2 ? "the other photo does" : "the other " + std::to_string(photos - 1) + " do";
  return {why.message + " (" + others + " not tell a camera either)"};
}

}  // namespace

std::vector<CameraGroup> GroupByCamera(const std::vector<Photo>& photos) {
  std::vector<CameraGroup> groups;
  for (std::size_t i = 0; i < photos.size(); ++i) {
    const Photo& photo = photos[i];
    auto group = std::find_if(groups.begin(), groups.end(),
                              [&](const CameraGroup& g) { return MayBeOf(photo, g.signs); });
    if (group == groups.end()) group = groups.insert(groups.end(), {SignsOf(photo), {}});
    FillIn(CameraExifOf(photo.exif), *group->signs.exif);
    group->photos.push_back(i);
  }
  const auto pixels = [](const Camera& signs) {
    return static_cast<double>(signs.width_px) * signs.height_px;
  };
  std::stable_sort(groups.begin(), groups.end(), [&](const CameraGroup& a, const CameraGroup& b) {
    if (a.photos.size() != b.photos.size()) return a.photos.size() > b.photos.size();
    return pixels(a.signs) > pixels(b.signs);
  });
  return groups;
}

Result<void> SelfCalibrate(MeasureRequest& request) {
  const StrangePhotos strange = ReadStrangePhotos(request);
  std::optional<Error> why_not;
  for (const CameraGroup& group : GroupByCamera(strange.photos)) {
    auto camera = CameraOfGroup(group, strange, request.rig);
    if (camera) {
      request.self_calibrated = std::move(*camera);
      return {};
    }
    if (!why_not) why_not = camera.error();
  }
  if (!why_not) why_not = strange.why_useless;
  // Where others can be measured, measuring refuses these, each with its own reason.
  if (!why_not || strange.others_belong) return {};
  const std::size_t count = strange.photos.size() + static_cast<std::size_t>(strange.useless);
  return tl::unexpected<Error>(OfAllPhotos(*why_not, count));
}

Result<void> CheckPhotoMatchesFound(const Photo& photo, const Camera& found) {
  if (CheckPhotoMatchesCamera(photo, found)) return {};
  const Camera signs = SignsOf(photo);
  if (auto fits = CheckPhotoMatchesCamera(photo, signs); !fits) return fits;  // a digital zoom
  const std::string where = photo.file.string() + ": ";
  Camera same_size = found;
  same_size.width_px = signs.width_px;
  same_size.height_px = signs.height_px;
  // Said before the size, where both differ: another phone explains another size.
  if (!CheckPhotoMatchesCamera(photo, same_size)) {
    return Fail(where +
                "was taken with another phone or lens than the photos that --self-calibrate found "
                "the camera from; measure it apart from them");
  }
  return Fail(where + "has " + SizeText(signs.width_px, signs.height_px) +
              ", the photos that --self-calibrate found the camera from have " +
              SizeText(found.width_px, found.height_px) +
              "; use the phone's own file, or measure it apart from them");
}

}  // namespace tinesight
