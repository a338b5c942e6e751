#include <algorithm>
#include <cerrno>
#include <cmath>
#include <cstring>
#include <iostream>
#include <memory>
#include <string>
#include <thread>
#include <utility>
#include <vector>

#include "app/calibration_photos.hpp"
#include "app/calibration_report.hpp"
#include "app/commands.hpp"
#include "app/option_checks.hpp"
#include "app/output_check.hpp"
#include "calibration/file_io.hpp"
#include "calibration/rig.hpp"
#include "calibration/survey.hpp"
#include "calibration/temporary_file.hpp"
#include "vision/photo.hpp"

namespace tinesight {
namespace {

struct CalibrateArguments {
  std::vector<std::string> photos;
  std::string rig_file;
  std::string camera_out;
  std::string rig_out;
  int threads = 1;
};

/// Wrong usage is told before anything is read: an output over a photo or the rig file would
/// destroy it, and of two results in one file one is lost.
void CheckUsage(const CalibrateArguments& arguments) {
  std::vector<std::string> inputs = arguments.photos;
  inputs.push_back(arguments.rig_file);
  RequireNamedOnce(inputs, {arguments.camera_out, arguments.rig_out});
}

/// The solve stays on one thread: sums in another order would give files that differ in their last
/// digits from run to run.
SurveyOptions OptionsFor(const std::vector<CalibrationPhoto>& photos) {
  SurveyOptions options;
  options.width_px = photos.front().gray.cols;
  options.height_px = photos.front().gray.rows;
  constexpr double kFilmDiagonal_mm = 43.27;
  const auto& equivalent_mm = photos.front().exif.focal_length_35mm;
  if (equivalent_mm && *equivalent_mm > 8.0 && *equivalent_mm < 300.0) {
    options.focal_px =
        std::hypot(options.width_px, options.height_px) * *equivalent_mm / kFilmDiagonal_mm;
  }
  return options;
}

/// Tags first; with the camera and rig that they give, the saddle points are found, which no ink
/// can move; then all together.
Result<Survey> CalibrateFrom(std::vector<CalibrationPhoto>& photos, const Rig& rig, int threads) {
  SurveyOptions options = OptionsFor(photos);
  const auto observations = [&photos] {
    std::vector<SurveyPhoto> result;
    result.reserve(photos.size());
    for (const CalibrationPhoto& photo : photos) result.push_back({photo.name, photo.observations});
    return result;
  };
  if (!rig.points.empty()) {
    options.refuse_poor_sets = false;
    Result<Survey> rough = SurveyRig(observations(), rig, options);
    if (!rough) return rough;
    FindPoints(photos, *rough, threads);
    options.refuse_poor_sets = true;
    options.focal_px = rough->camera.fx_px;
  }
  return SurveyRig(observations(), rig, options);
}

/// Nobody knows a nanometer of the rig or a millionth of a px, and what lies below is the
/// processor's: left out, the same photos give the same files on other machines too, but for values
/// on a rounding's edge.
void DropIdleDigits(Survey& survey) {
  const auto rounded = [](double value, double per_unit) {
    return std::round(value * per_unit) / per_unit;
  };
  const auto length = [&](double mm_or_px) { return rounded(mm_or_px, 1e6); };
  const auto share = [&](double k) { return rounded(k, 1e9); };  // distortion: of a distance
  Camera& camera = survey.camera;
  for (double* const value : {&camera.fx_px, &camera.fy_px, &camera.cx_px, &camera.cy_px}) {
    *value = length(*value);
  }
  for (double& k : camera.distortion) k = share(k);
  if (camera.standard_uncertainty) {
    constexpr std::size_t kInPx = 4;  // fx, fy, cx, cy, then the distortion
    auto& u = *camera.standard_uncertainty;
    for (std::size_t i = 0; i < u.size(); ++i) {
      u[i] = i < kInPx ? length(u[i]) : share(u[i]);
    }
  }
  for (RigTag& tag : survey.rig.tags) {
    for (Eigen::Vector3d& c : tag.corners_mm) c = c.unaryExpr(length).eval();
    tag.u_mm = length(tag.u_mm);
  }
  for (RigPoint& point : survey.rig.points) {
    point.position_mm = point.position_mm.unaryExpr(length).eval();
    point.u_mm = length(point.u_mm);
  }
}

/// What `write` puts into a file, as bytes; `name` is the file's name in its failures.
template <typename Write>
Result<FileBytes> BytesOf(const std::string& name, const Write& write) {
  const TemporaryFile file(".json");
  if (!file.Made()) {
    return Fail(name +
                ": cannot be written: no temporary file can be made: " + std::strerror(errno));
  }
  if (const Result<void> written = write(file.Name()); !written) {
    std::string message = written.error().message;
    if (message.starts_with(file.Name())) message.replace(0, file.Name().size(), name);
    return Fail(message);
  }
  Result<std::string> bytes = ReadFileBytes(file.Name());
  if (!bytes) return tl::unexpected(bytes.error());
  return FileBytes{name, std::move(*bytes)};
}

/// Both or none: a camera beside the rig of another calibration measures wrong without a sign.
Result<void> WriteResults(const Survey& survey, const CalibrateArguments& arguments) {
  const auto camera = BytesOf(arguments.camera_out, [&](const std::string& file) {
    return WriteCamera(survey.camera, file);
  });
  if (!camera) return tl::unexpected(camera.error());
  const auto rig = BytesOf(arguments.rig_out,
                           [&](const std::string& file) { return WriteRig(survey.rig, file); });
  if (!rig) return tl::unexpected(rig.error());
  return WriteFilesAtomically({*camera, *rig});
}

/// Tells which photos the survey could not use; false where there are any.
bool TellUnused(const Survey& survey) {
  bool all_used = true;
  for (const SurveyPhotoReport& photo : survey.photos) {
    if (photo.used) continue;
    PrintFailure(photo.name + ": not used, it " + photo.reason);
    all_used = false;
  }
  return all_used;
}

int RunCalibrate(const CalibrateArguments& arguments) {
  CheckUsage(arguments);
  const Result<Rig> rig = ReadRig(arguments.rig_file);
  if (!rig) return FailWith(rig.error());
  for (const std::string& file : {arguments.camera_out, arguments.rig_out}) {
    if (const auto writable = CheckFileWritable(file); !writable) return FailWith(writable.error());
  }
  std::vector<CalibrationPhoto> photos = LoadPhotos(arguments.photos, arguments.threads);
  const std::size_t given = photos.size();
  const Result<int> orientation = PreparePhotos(photos, *rig, arguments.threads);
  if (!orientation) return FailWith(orientation.error());
  Result<Survey> survey = CalibrateFrom(photos, *rig, arguments.threads);
  if (!survey) return FailWith(survey.error());
  survey->camera.exif = CameraExifOf(photos.front().exif);
  survey->camera.exif_orientation = *orientation;
  PrintSurvey(*survey);
  const bool all_used = TellUnused(*survey) && given == photos.size();

  DropIdleDigits(*survey);
  const Result<void> written = WriteResults(*survey, arguments);
  if (!written) return FailWith(written.error());
  std::cout << "wrote " << arguments.camera_out << " and " << arguments.rig_out << '\n';
  return all_used ? kExitOk : kExitFailure;
}

}  // namespace

void AddCalibrateCommand(CLI::App& app, int& exit_status) {
  auto arguments = std::make_shared<CalibrateArguments>();
  arguments->threads = std::max(1, static_cast<int>(std::thread::hardware_concurrency()));
  CLI::App* command = app.add_subcommand(
      "calibrate",
      "Find the camera's intrinsics and survey the rig from 5 or more (better 12) photos of the "
      "rig: from left, right, above and below, near and far, some with the phone upright.");
  command->add_option("photos", arguments->photos, "photos of the rig: JPEG, HEIC, PNG or TIFF")
      ->required()
      ->type_name("PHOTO");
  command->add_option("--rig", arguments->rig_file, "rig file (JSON) that `strips` wrote")
      ->required()
      ->type_name("FILE");
  command->add_option("--camera-out", arguments->camera_out, "camera file (JSON) to write")
      ->required()
      ->type_name("FILE");
  command->add_option("--rig-out", arguments->rig_out, "surveyed rig file (JSON) to write")
      ->required()
      ->type_name("FILE");
  command->add_option("--threads", arguments->threads, "threads to use")
      ->check(CLI::Range(1, 64))
      ->capture_default_str();
  command->callback([arguments, &exit_status] { exit_status = RunCalibrate(*arguments); });
}

}  // namespace tinesight
