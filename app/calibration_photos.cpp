#include "app/calibration_photos.hpp"

#include <algorithm>
#include <array>
#include <atomic>
#include <filesystem>
#include <map>
#include <sstream>
#include <thread>
#include <utility>

#include "app/commands.hpp"
#include "vision/repeated_photos.hpp"
#include "vision/rig_detection.hpp"

namespace tinesight {
namespace {

/// Runs `job(i)` for 0 … count − 1 on several threads.
template <typename Job>
void ForEach(std::size_t count, int threads, const Job& job) {
  std::atomic<std::size_t> next{0};
  std::vector<std::jthread> workers;
  for (int t = 0; t < std::min(threads, static_cast<int>(count)); ++t) {
    workers.emplace_back([&] {
      for (std::size_t i = next++; i < count; i = next++) job(i);
    });
  }
}

void FindTags(std::vector<CalibrationPhoto>& photos, const Rig& rig, int threads) {
  ForEach(photos.size(), threads, [&](std::size_t i) {
    CalibrationPhoto& loaded = photos[i];
    loaded.observations = DetectTags(loaded.gray, rig);
    if (loaded.observations.tags.empty() && LooksMirrored(loaded.gray, rig)) {
      loaded.failure =
          Error{loaded.name + ": the picture is mirrored; turn off mirroring in the camera app"};
    }
  });
}

/// Reports and removes what cannot be used.
void DropFailed(std::vector<CalibrationPhoto>& photos) {
  for (const CalibrationPhoto& photo : photos) {
    if (photo.failure) PrintFailure(photo.failure->message);
  }
  std::erase_if(photos, [](const CalibrationPhoto& photo) { return photo.failure.has_value(); });
}

/// Quarter turns, clockwise, that the EXIF orientation had asked for; nothing for mirrored ones.
std::optional<int> QuarterTurns(int orientation) {
  switch (orientation) {
    case 1:
      return 0;
    case 6:
      return 1;
    case 3:
      return 2;
    case 8:
      return 3;
    default:
      return std::nullopt;
  }
}

/// Turns photos that the phone's position sensor had turned back to the frame of the most: the
/// lens does not turn with the picture, and a photo with the phone upright is worth having. Gives
/// the EXIF orientation of that frame.
int TurnAlike(std::vector<CalibrationPhoto>& photos) {
  std::array<int, 4> votes{};
  for (const CalibrationPhoto& photo : photos) {
    if (const auto turns = QuarterTurns(photo.exif.orientation)) {
      ++votes[static_cast<std::size_t>(*turns)];
    }
  }
  const int most = static_cast<int>(std::max_element(votes.begin(), votes.end()) - votes.begin());
  for (CalibrationPhoto& photo : photos) {
    const auto turns = QuarterTurns(photo.exif.orientation);
    if (!turns || *turns == most) continue;
    constexpr std::array<int, 4> kRotation = {-1, cv::ROTATE_90_CLOCKWISE, cv::ROTATE_180,
                                              cv::ROTATE_90_COUNTERCLOCKWISE};
    cv::rotate(photo.gray, photo.gray,
               kRotation[static_cast<std::size_t>((most - *turns + 4) % 4)]);
  }
  constexpr std::array<int, 4> kOrientation = {1, 6, 3, 8};
  return kOrientation[static_cast<std::size_t>(most)];
}

/// What all photos of one calibration have in common, each as a person says it.
std::vector<std::string> CameraMarks(const CalibrationPhoto& photo) {
  const ExifSummary& exif = photo.exif;
  const auto number = [](const std::optional<double>& value) {
    std::ostringstream text;
    if (value) text << *value;
    return text.str();
  };
  const auto mark = [](const char* name, const std::string& value) {
    return std::string(name) + " " + (value.empty() ? "unknown" : value);
  };
  const double zoom = std::max(exif.digital_zoom.value_or(1.0), 1.0);
  return {std::to_string(photo.gray.cols) + "×" + std::to_string(photo.gray.rows) + " px",
          mark("make", exif.make),
          mark("model", exif.model),
          mark("lens", exif.lens),
          mark("focal length in mm", number(exif.focal_length_mm)),
          mark("digital zoom", number(zoom))};
}

/// Those of `marks` that `others` don't share.
std::string Differing(const std::vector<std::string>& marks,
                      const std::vector<std::string>& others) {
  std::string text;
  for (std::size_t i = 0; i < marks.size(); ++i) {
    if (marks[i] == others[i]) continue;
    text += (text.empty() ? "" : ", ") + marks[i];
  }
  return text;
}

/// One camera took them all, or the odd ones are left out: a calibration mixed from two is of
/// neither. The photos that agree with the most others stay.
void LeaveOutOtherCameras(std::vector<CalibrationPhoto>& photos) {
  std::map<std::vector<std::string>, int> votes;
  for (const CalibrationPhoto& photo : photos) ++votes[CameraMarks(photo)];
  const auto most = std::max_element(
      votes.begin(), votes.end(), [](const auto& a, const auto& b) { return a.second < b.second; });
  for (CalibrationPhoto& photo : photos) {
    const std::vector<std::string> marks = CameraMarks(photo);
    if (marks == most->first) continue;
    photo.failure =
        Error{photo.name + ": differs from the other photos (" + Differing(marks, most->first) +
              "; they: " + Differing(most->first, marks) +
              "); left out, since all must be of one lens, size and orientation"};
  }
}

Result<void> CheckNotZoomed(const CalibrationPhoto& photo) {
  if (!(photo.exif.digital_zoom.value_or(1.0) > 1.0)) return {};
  std::ostringstream text;
  text << photo.name << ": taken with a digital zoom of " << *photo.exif.digital_zoom
       << "; take all photos at 1×";
  return Fail(text.str());
}

}  // namespace

std::vector<CalibrationPhoto> LoadPhotos(const std::vector<std::string>& files, int threads) {
  std::vector<CalibrationPhoto> photos(files.size());
  // Counted twice, a photo would make everything look more certain than it is.
  const auto repeated = RepeatedPhotos({files.begin(), files.end()});
  ForEach(photos.size(), threads, [&](std::size_t i) {
    CalibrationPhoto& loaded = photos[i];
    loaded.name = std::filesystem::path(files[i]).filename().string();
    if (repeated[i]) {
      loaded.failure =
          Error{files[i] + ": the same photo as " + files[*repeated[i]] + "; left out"};
      return;
    }
    Result<Photo> photo = ReadPhoto(files[i]);
    if (!photo) {
      loaded.failure = photo.error();
      return;
    }
    loaded.gray = photo->gray;
    loaded.exif = photo->exif;
  });
  return photos;
}

Result<int> PreparePhotos(std::vector<CalibrationPhoto>& photos, const Rig& rig, int threads) {
  const std::size_t given = photos.size();
  int orientation = 1;
  DropFailed(photos);
  if (!photos.empty()) {
    orientation = TurnAlike(photos);
    LeaveOutOtherCameras(photos);
    DropFailed(photos);
    if (const auto plain = CheckNotZoomed(photos.front()); !plain) {
      return tl::unexpected(plain.error());
    }
    FindTags(photos, rig, threads);
    DropFailed(photos);
  }
  if (photos.size() < kLeastSurveyPhotos) {
    return Fail("only " + std::to_string(photos.size()) + " of " + std::to_string(given) +
                " photos can be used, a calibration needs " + std::to_string(kLeastSurveyPhotos) +
                " (better 12); take more photos of the rig");
  }
  return orientation;
}

void FindPoints(std::vector<CalibrationPhoto>& photos, const Survey& survey, int threads) {
  ForEach(photos.size(), threads, [&](std::size_t i) {
    const SurveyPhotoReport& report = survey.photos[i];
    if (!report.used) return;
    RefineRigPoints(photos[i].gray, survey.rig, survey.camera, report.pose, photos[i].observations);
  });
}

}  // namespace tinesight
