#include <algorithm>
#include <array>
#include <atomic>
#include <cerrno>
#include <cmath>
#include <cstring>
#include <filesystem>
#include <iomanip>
#include <iostream>
#include <map>
#include <memory>
#include <opencv2/core.hpp>
#include <optional>
#include <sstream>
#include <string>
#include <thread>
#include <utility>
#include <vector>

#include "app/commands.hpp"
#include "app/option_checks.hpp"
#include "app/output_check.hpp"
#include "calibration/file_io.hpp"
#include "calibration/rig.hpp"
#include "calibration/survey.hpp"
#include "calibration/temporary_file.hpp"
#include "vision/photo.hpp"
#include "vision/repeated_photos.hpp"
#include "vision/rig_detection.hpp"

namespace tinesight {
namespace {

struct CalibrateArguments {
  std::vector<std::string> photos;
  std::string rig_file;
  std::string camera_out;
  std::string rig_out;
  int threads = 1;
};

/// A photo on its way through the survey. Only the gray picture is kept.
struct LoadedPhoto {
  std::string name;
  cv::Mat gray;
  ExifSummary exif;
  RigObservations observations;
  std::optional<Error> failure;
};

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

/// Wrong usage is told before anything is read: an output over a photo or the rig file would
/// destroy it, and of two results in one file one is lost.
void CheckUsage(const CalibrateArguments& arguments) {
  std::vector<std::string> inputs = arguments.photos;
  inputs.push_back(arguments.rig_file);
  RequireNamedOnce(inputs, {arguments.camera_out, arguments.rig_out});
}

std::vector<LoadedPhoto> LoadPhotos(const CalibrateArguments& arguments) {
  std::vector<LoadedPhoto> photos(arguments.photos.size());
  // Counted twice, a photo would make everything look more certain than it is.
  const auto repeated = RepeatedPhotos({arguments.photos.begin(), arguments.photos.end()});
  ForEach(photos.size(), arguments.threads, [&](std::size_t i) {
    LoadedPhoto& loaded = photos[i];
    loaded.name = std::filesystem::path(arguments.photos[i]).filename().string();
    if (repeated[i]) {
      loaded.failure = Error{arguments.photos[i] + ": the same photo as " +
                             arguments.photos[*repeated[i]] + "; left out"};
      return;
    }
    Result<Photo> photo = ReadPhoto(arguments.photos[i]);
    if (!photo) {
      loaded.failure = photo.error();
      return;
    }
    loaded.gray = photo->gray;
    loaded.exif = photo->exif;
  });
  return photos;
}

void FindTags(std::vector<LoadedPhoto>& photos, const Rig& rig, int threads) {
  ForEach(photos.size(), threads, [&](std::size_t i) {
    LoadedPhoto& loaded = photos[i];
    loaded.observations = DetectTags(loaded.gray, rig);
    if (loaded.observations.tags.empty() && LooksMirrored(loaded.gray, rig)) {
      loaded.failure =
          Error{loaded.name + ": the picture is mirrored; turn off mirroring in the camera app"};
    }
  });
}

/// Reports and removes what cannot be used.
void DropFailed(std::vector<LoadedPhoto>& photos) {
  for (const LoadedPhoto& photo : photos) {
    if (photo.failure) PrintFailure(photo.failure->message);
  }
  std::erase_if(photos, [](const LoadedPhoto& photo) { return photo.failure.has_value(); });
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
int TurnAlike(std::vector<LoadedPhoto>& photos) {
  std::array<int, 4> votes{};
  for (const LoadedPhoto& photo : photos) {
    if (const auto turns = QuarterTurns(photo.exif.orientation)) {
      ++votes[static_cast<std::size_t>(*turns)];
    }
  }
  const int most = static_cast<int>(std::max_element(votes.begin(), votes.end()) - votes.begin());
  for (LoadedPhoto& photo : photos) {
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
std::vector<std::string> CameraMarks(const LoadedPhoto& photo) {
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
void LeaveOutOtherCameras(std::vector<LoadedPhoto>& photos) {
  std::map<std::vector<std::string>, int> votes;
  for (const LoadedPhoto& photo : photos) ++votes[CameraMarks(photo)];
  const auto most = std::max_element(
      votes.begin(), votes.end(), [](const auto& a, const auto& b) { return a.second < b.second; });
  for (LoadedPhoto& photo : photos) {
    const std::vector<std::string> marks = CameraMarks(photo);
    if (marks == most->first) continue;
    photo.failure =
        Error{photo.name + ": differs from the other photos (" + Differing(marks, most->first) +
              "; they: " + Differing(most->first, marks) +
              "); left out, since all must be of one lens, size and orientation"};
  }
}

Result<void> CheckNotZoomed(const LoadedPhoto& photo) {
  if (!(photo.exif.digital_zoom.value_or(1.0) > 1.0)) return {};
  std::ostringstream text;
  text << photo.name << ": taken with a digital zoom of " << *photo.exif.digital_zoom
       << "; take all photos at 1×";
  return Fail(text.str());
}

/// The solve stays on one thread: sums in another order would give files that differ in their last
/// digits from run to run.
SurveyOptions OptionsFor(const std::vector<LoadedPhoto>& photos) {
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
Result<Survey> CalibrateFrom(std::vector<LoadedPhoto>& photos, const Rig& rig, int threads) {
  SurveyOptions options = OptionsFor(photos);
  const auto observations = [&photos] {
    std::vector<SurveyPhoto> result;
    result.reserve(photos.size());
    for (const LoadedPhoto& photo : photos) result.push_back({photo.name, photo.observations});
    return result;
  };
  if (!rig.points.empty()) {
    options.refuse_poor_sets = false;
    Result<Survey> rough = SurveyRig(observations(), rig, options);
    if (!rough) return rough;
    ForEach(photos.size(), threads, [&](std::size_t i) {
      const SurveyPhotoReport& report = rough->photos[i];
      if (!report.used) return;
      RefineRigPoints(photos[i].gray, rough->rig, rough->camera, report.pose,
                      photos[i].observations);
    });
    options.refuse_poor_sets = true;
    options.focal_px = rough->camera.fx_px;
  }
  return SurveyRig(observations(), rig, options);
}

void PrintPhotoTable(const Survey& survey) {
  std::size_t width = 5;
  for (const auto& photo : survey.photos) width = std::max(width, photo.name.size());
  const auto name_column = static_cast<int>(width) + 2;
  std::cout << std::left << std::setw(name_column) << "photo" << std::right
            << " tags points left-out  rms px  covered  distance  focal scale  edge growth µm\n";
  for (const SurveyPhotoReport& photo : survey.photos) {
    std::cout << std::left << std::setw(name_column) << photo.name << std::right << std::setw(5)
              << photo.tags << std::setw(7) << photo.points;
    if (!photo.used) {
      std::cout << "  not used: it " << photo.reason << '\n';
      continue;
    }
    std::cout << std::setw(9) << photo.rejected << std::fixed << std::setprecision(2)
              << std::setw(8) << photo.rms_px << std::setprecision(0) << std::setw(7)
              << 100.0 * photo.coverage.Share() << " %" << std::setw(7) << photo.distance_mm
              << " mm" << std::setprecision(2) << std::showpos << std::setw(11)
              << 100.0 * (photo.pose.focal_scale - 1.0) << " %" << std::setprecision(0);
    for (const double growth_mm : photo.pose.edge_growth_mm) {
      std::cout << std::setw(8) << 1000.0 * growth_mm;
    }
    std::cout << std::noshowpos
              << (photo.residual_flagged   ? "  residual stands out"
                  : photo.rejected_flagged ? "  many marks don't fit"
                                           : "")
              << '\n';
  }
}

void PrintCoverage(const Survey& survey) {
  std::cout << "\nimage covered: " << std::fixed << std::setprecision(0)
            << 100.0 * survey.coverage.Share()
            << " % of the cells (. none, + some, # many marks)\n";
  for (int row = 0; row < CoverageMap::kRows; ++row) {
    std::cout << "  ";
    for (int column = 0; column < CoverageMap::kColumns; ++column) {
      const int marks =
          survey.coverage.marks[static_cast<std::size_t>(row * CoverageMap::kColumns + column)];
      std::cout << (marks == 0 ? '.' : marks < 20 ? '+' : '#') << ' ';
    }
    std::cout << '\n';
  }
}

void PrintCamera(const Survey& survey) {
  const Camera& c = survey.camera;
  const auto& u = *c.standard_uncertainty;
  const auto number = [](const char* name, double value, double uncertainty, int digits,
                         const std::string& unit) {
    std::cout << "  " << std::left << std::setw(4) << name << std::right << std::fixed
              << std::setprecision(digits) << std::setw(11) << value << " ± " << uncertainty << unit
              << '\n';
  };
  std::cout << "\ncamera (± standard uncertainty)\n";
  // Every photo has its own focus, and fx is their mean: its uncertainty is no photo's.
  std::ostringstream focus;
  focus << " px (at the mean focus of these photos; single photos scatter by ± " << std::fixed
        << std::setprecision(1) << 100.0 * survey.focal_scale_scatter << " %)";
  number("fx", c.fx_px, u[0], 2, focus.str());
  number("fy", c.fy_px, u[1], 2, " px (likewise)");
  number("cx", c.cx_px, u[2], 2, " px");
  number("cy", c.cy_px, u[3], 2, " px");
  const std::array<const char*, 5> names = {"k1", "k2", "p1", "p2", "k3"};
  for (std::size_t k = 0; k < 5; ++k) number(names[k], c.distortion[k], u[4 + k], 5, "");
}

void PrintRig(const Survey& survey) {
  double largest = 0.0;
  double sum = 0.0;
  for (const RigTag& tag : survey.rig.tags) {
    largest = std::max(largest, tag.u_mm);
    sum += tag.u_mm / static_cast<double>(survey.rig.tags.size());
  }
  std::cout << "\nrig: " << survey.rig.tags.size() << " tags, " << survey.rig.points.size()
            << " saddle points, standard uncertainty of a tag's corner " << std::setprecision(3)
            << sum << " mm in the mean, " << largest << " mm at most\n";
  for (std::size_t bar = 0; bar < survey.bars.size(); ++bar) {
    const Survey::Placement& p = survey.placement[bar];
    std::cout << "  " << survey.bars[bar] << ": " << std::setprecision(2) << std::showpos
              << p.shift_mm.x() << ", " << p.shift_mm.y() << ", " << p.shift_mm.z()
              << std::noshowpos << " mm and " << p.turn_rad * 180.0 / M_PI
              << "° off the rig file; print scale " << std::setprecision(4) << p.scale.x()
              << " along\n";
  }
}

void PrintReport(const Survey& survey) {
  PrintPhotoTable(survey);
  PrintCoverage(survey);
  PrintCamera(survey);
  PrintRig(survey);
  std::cout << "\nresidual " << std::setprecision(3) << survey.rms_px
            << " px rms; viewing directions differ by up to " << std::setprecision(0)
            << survey.tilt_rad * 180.0 / M_PI << "°; principal points scatter by "
            << std::setprecision(1) << survey.principal_shift_sigma_px << " px\n";
  for (const std::string& warning : survey.warnings) std::cout << "warning: " << warning << '\n';
  for (const std::string& suggestion : survey.suggestions) {
    std::cout << "would help: " << suggestion << '\n';
  }
}

/// The solve's last digits change with how its sums are shared out among threads. Nobody knows a
/// ninth decimal of a mm or px, but on it a search over a photo may turn one way or the other: with
/// it left out the same photos give the same files, and these the same figures.
double ToNineDecimals(double value) { return std::round(value * 1e9) / 1e9; }

void DropIdleDigits(Survey& survey) {
  Camera& camera = survey.camera;
  for (double* const value : {&camera.fx_px, &camera.fy_px, &camera.cx_px, &camera.cy_px}) {
    *value = ToNineDecimals(*value);
  }
  for (double& k : camera.distortion) k = ToNineDecimals(k);
  if (camera.standard_uncertainty) {
    for (double& u : *camera.standard_uncertainty) u = ToNineDecimals(u);
  }
  for (RigTag& tag : survey.rig.tags) {
    for (Eigen::Vector3d& c : tag.corners_mm) c = c.unaryExpr(&ToNineDecimals).eval();
    tag.u_mm = ToNineDecimals(tag.u_mm);
  }
  for (RigPoint& point : survey.rig.points) {
    point.position_mm = point.position_mm.unaryExpr(&ToNineDecimals).eval();
    point.u_mm = ToNineDecimals(point.u_mm);
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

/// The photos with their tags, in one frame; tells of those that cannot be used and drops them.
/// Gives the EXIF orientation of the frame.
Result<int> PreparePhotos(std::vector<LoadedPhoto>& photos, const Rig& rig, int threads) {
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

int RunCalibrate(const CalibrateArguments& arguments) {
  CheckUsage(arguments);
  const Result<Rig> rig = ReadRig(arguments.rig_file);
  if (!rig) return FailWith(rig.error());
  for (const std::string& file : {arguments.camera_out, arguments.rig_out}) {
    if (const auto writable = CheckFileWritable(file); !writable) return FailWith(writable.error());
  }
  std::vector<LoadedPhoto> photos = LoadPhotos(arguments);
  const std::size_t given = photos.size();
  const Result<int> orientation = PreparePhotos(photos, *rig, arguments.threads);
  if (!orientation) return FailWith(orientation.error());
  Result<Survey> survey = CalibrateFrom(photos, *rig, arguments.threads);
  if (!survey) return FailWith(survey.error());
  survey->camera.exif = CameraExifOf(photos.front().exif);
  survey->camera.exif_orientation = *orientation;
  PrintReport(*survey);
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
