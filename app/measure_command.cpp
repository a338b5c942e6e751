#include <unistd.h>

#include <algorithm>
#include <filesystem>
#include <iostream>
#include <map>
#include <optional>
#include <string>
#include <system_error>
#include <vector>

#include "alignment/measure_visit.hpp"
#include "alignment/note_name.hpp"
#include "alignment/self_calibration.hpp"
#include "app/commands.hpp"
#include "app/option_checks.hpp"
#include "app/output_check.hpp"
#include "app/progress_bar.hpp"
#include "app/record_options.hpp"
#include "calibration/file_io.hpp"
#include "record/annotated_photo.hpp"
#include "record/result_json.hpp"
#include "record/result_table.hpp"
#include "record/service_record.hpp"
#include "vision/photo.hpp"

namespace tinesight {
namespace {

namespace fs = std::filesystem;

constexpr std::size_t kMaxPhotos = 40;

// The command line as typed.
struct MeasureOptions {
  std::vector<std::string> photos;
  std::string camera;
  bool self_calibrate = false;
  std::string rig;
  std::string instrument;
  std::string first_note;
  std::string damper;
  std::string record;
  std::string visit;
  std::string technician;
  std::string date;
  bool embed = false;
  std::string json;
  std::string csv;
  std::string overlays;
  bool debug = false;
  bool verbose = false;
};

[[noreturn]] void WrongUsage(const std::string& message) { throw CLI::ValidationError(message); }

std::optional<int> FirstMidi(const MeasureOptions& options) {
  if (options.first_note.empty()) return std::nullopt;
  const std::optional<int> midi = ParseNoteName(options.first_note);
  if (!midi) {
    WrongUsage("--first-note " + options.first_note + ": is no note name; write it like E1 or F#3");
  }
  return midi;
}

DamperState Damper(const MeasureOptions& options) {
  for (const DamperState state :
       {DamperState::kHarpRaised, DamperState::kKeyHeld, DamperState::kResting}) {
    if (options.damper == DamperWord(state)) return state;
  }
  if (options.damper.empty()) return DamperState::kUnknown;
  WrongUsage("--damper " + options.damper + ": choose harp-raised, key-held or resting");
}

// One overlay a photo; photos of the same name from two folders get a number.
std::vector<fs::path> OverlayFiles(const MeasureOptions& options) {
  std::vector<fs::path> files;
  if (options.overlays.empty()) return files;
  std::map<std::string, int> used;
  for (const std::string& photo : options.photos) {
    const std::string stem = fs::path(photo).stem().string() + "_overlay";
    const int count = ++used[stem];
    files.push_back(fs::path(options.overlays) /
                    (stem + (count > 1 ? "_" + std::to_string(count) : "") + ".jpg"));
  }
  return files;
}

// An output that is also read, or written twice, would destroy what the technician has.
void CheckNamedOnce(const MeasureOptions& options) {
  std::vector<std::string> inputs = options.photos;
  inputs.insert(inputs.end(), {options.camera, options.rig, options.instrument});
  std::vector<std::string> outputs{options.json, options.csv, options.record, options.overlays};
  for (const fs::path& file : OverlayFiles(options)) outputs.push_back(file.string());
  RequireNamedOnce(inputs, outputs);
}

void CheckUsage(const MeasureOptions& options) {
  if (options.photos.size() > kMaxPhotos) {
    WrongUsage(std::to_string(options.photos.size()) + " photos are more than the " +
               std::to_string(kMaxPhotos) + " of one visit; leave some out");
  }
  if (options.camera.empty() && !options.self_calibrate) {
    WrongUsage("--camera is required: the camera file from `calibrate` (or --self-calibrate)");
  }
  if (options.record.empty() != options.visit.empty()) {
    WrongUsage("--record and --visit go together: the file and the visit's name in it");
  }
  const bool of_record = options.embed || !options.technician.empty() || !options.date.empty();
  if (of_record && options.record.empty()) {
    WrongUsage("--technician, --date and --embed belong to the visit in a record; add --record");
  }
  if (!options.date.empty() && !IsDay(options.date)) {
    WrongUsage("--date " + options.date + ": is no day; write it like 2024-05-02");
  }
  if (options.debug && options.overlays.empty()) {
    WrongUsage("--debug writes into the folder of --overlays; name one");
  }
  CheckNamedOnce(options);
}

Result<void> CheckOutputs(const MeasureOptions& options) {
  for (const std::string* file : {&options.json, &options.csv, &options.record}) {
    if (file->empty()) continue;
    if (auto writable = CheckFileWritable(*file); !writable) return writable;
  }
  if (!options.overlays.empty()) {
    auto writable = CheckFilesWritable(options.overlays, OverlayFiles(options));
    if (!writable) return writable;
  }
  if (options.record.empty()) return {};
  return CheckVisitRecord(options.record, options.visit, Damper(options));
}

Result<MeasureRequest> BuildRequest(const MeasureOptions& options) {
  auto camera = options.camera.empty() ? Result<Camera>(Camera{}) : ReadCamera(options.camera);
  if (!camera) return tl::unexpected(camera.error());
  auto rig = ReadRig(options.rig);
  if (!rig) return tl::unexpected(rig.error());
  auto profile = ReadInstrumentProfile(options.instrument);
  if (!profile) return tl::unexpected(profile.error());
  MeasureRequest request;
  request.photos.assign(options.photos.begin(), options.photos.end());
  request.camera = std::move(*camera);
  request.rig = std::move(*rig);
  request.profile = std::move(*profile);
  request.first_midi = FirstMidi(options);
  request.damper = Damper(options);
  if (request.first_midi && request.profile.Find(*request.first_midi) == nullptr) {
    return Fail("--first-note " + options.first_note + ": is not in the compass of " +
                options.instrument + ", " + NoteName(request.profile.FirstMidi()) + " to " +
                NoteName(request.profile.LastMidi()));
  }
  if (options.debug) request.debug_dir = fs::path(options.overlays) / "debug";
  return request;
}

Result<void> MakeFolder(const fs::path& folder) {
  std::error_code code;
  fs::create_directories(folder, code);
  if (code) return Fail(folder.string() + ": the folder cannot be made: " + code.message());
  return {};
}

// A visit without a figure proves nothing: kept, it would use up its name in the record, or take
// the place of an earlier result.
bool AnyMeasured(const VisitMeasurement& visit) {
  return std::any_of(visit.notes.begin(), visit.notes.end(),
                     [](const auto& note) { return note.lateral_mm; });
}

Result<void> KeepVisit(const MeasureOptions& options, const MeasureRequest& request,
                       const std::string& profile_json, const VisitMeasurement& visit) {
  VisitEntry entry;
  entry.name = options.visit;
  entry.technician = options.technician;
  entry.date = options.date;
  entry.profile = request.profile;
  entry.damper = request.damper;
  entry.photos = request.photos;
  entry.embed_photos = options.embed;
  entry.measurement = visit;
  entry.profile_json = profile_json;
  const auto added = AddVisit(options.record, entry);
  return added ? Result<void>() : tl::unexpected(added.error());
}

/// With photos of this visit in another damper state in the record, each note can say how far the
/// damper lifts its tine.
Result<void> FillDamperLift(const MeasureOptions& options, VisitMeasurement& visit) {
  const auto record = ReadServiceRecord(options.record);
  if (!record) return tl::unexpected(record.error());
  const Visit* kept = record->FindVisit(options.visit);
  if (kept == nullptr) return {};
  for (NoteMeasurement& note : visit.notes) {
    const NoteMeasurement* merged = kept->Find(note.midi);
    if (merged != nullptr) note.damper_lift_mm = merged->damper_lift_mm;
  }
  return {};
}

// "tinesight: B1.jpg: …" for each refused photo; gives how many.
int TellRefusedPhotos(const VisitMeasurement& visit) {
  int refused = 0;
  for (const PhotoMeasurement& photo : visit.photos) {
    if (photo.used) continue;
    ++refused;
    const std::string reason =
        photo.warnings.empty() ? "could not be used" : photo.warnings.front();
    PrintFailure(reason.starts_with(photo.file) ? reason : photo.file + ": " + reason);
  }
  return refused;
}

Result<void> WriteOverlays(const MeasureOptions& options, const MeasureRequest& request,
                           const VisitMeasurement& visit, ProgressBar& progress) {
  if (auto made = MakeFolder(options.overlays); !made) return made;
  const std::vector<fs::path> files = OverlayFiles(options);
  for (std::size_t i = 0; i < visit.photos.size() && i < files.size(); ++i) {
    if (!visit.photos[i].used) continue;
    progress.Show(static_cast<double>(i) / static_cast<double>(files.size()), "drawing overlays");
    const Result<Photo> photo = ReadPhoto(request.photos[i]);
    if (!photo) return tl::unexpected(photo.error());
    const auto picture = AnnotatePhoto(photo->bgr, visit.photos[i], visit, request.profile);
    if (!picture) return tl::unexpected(picture.error());
    if (auto written = WriteJpeg(*picture, files[i]); !written) return written;
  }
  return {};
}

// The record first: it is what can't be made again, and it knows the other damper states.
Result<void> WriteResults(const MeasureOptions& options, const MeasureRequest& request,
                          const std::string& profile_json, VisitMeasurement& visit) {
  Result<void> done;
  if (!options.record.empty()) {
    done = KeepVisit(options, request, profile_json, visit);
    if (done) done = FillDamperLift(options, visit);
  }
  if (done && !options.json.empty()) done = WriteFileAtomically(options.json, ResultJson(visit));
  if (done && !options.csv.empty()) done = WriteFileAtomically(options.csv, ResultCsv(visit));
  return done;
}

// The pictures also where nothing could be measured: they show why.
Result<void> WriteOutputs(const MeasureOptions& options, const MeasureRequest& request,
                          const std::string& profile_json, VisitMeasurement& visit,
                          ProgressBar& progress) {
  Result<void> done;
  if (AnyMeasured(visit)) done = WriteResults(options, request, profile_json, visit);
  if (done && !options.overlays.empty()) done = WriteOverlays(options, request, visit, progress);
  return done;
}

int Measure(const MeasureOptions& options) {
  CheckUsage(options);
  (void)FirstMidi(options);  // wrong usage is told before anything is read
  (void)Damper(options);
  Result<MeasureRequest> request = BuildRequest(options);
  if (!request) return FailWith(request.error());
  const Result<std::string> profile_json = ReadFileBytes(options.instrument);
  if (!profile_json) return FailWith(profile_json.error());
  if (auto outputs = CheckOutputs(options); !outputs) return FailWith(outputs.error());
  if (request->debug_dir) {
    if (auto made = MakeFolder(*request->debug_dir); !made) return FailWith(made.error());
  }

  ProgressBar progress(options.verbose);
  if (options.self_calibrate) {
    progress.Show(0.0, "finding the camera");
    const auto found = SelfCalibrate(*request);
    progress.Clear();
    if (!found) return FailWith(found.error());
  }
  Result<VisitMeasurement> visit = MeasureVisit(
      *request, [&](double fraction, std::string_view stage) { progress.Show(fraction, stage); });
  progress.Clear();
  if (!visit) return FailWith(visit.error());

  const auto written = WriteOutputs(options, *request, *profile_json, *visit, progress);
  progress.Clear();

  TableOptions table;
  table.color = isatty(STDOUT_FILENO) == 1 && std::getenv("NO_COLOR") == nullptr;
  table.ascii_only = !TerminalIsUtf8();
  table.profile = &request->profile;
  std::cout << ResultTable(*visit, table) << std::flush;
  const int refused = TellRefusedPhotos(*visit);
  if (!written) return FailWith(written.error());
  if (!std::cout) return FailWith({"the table could not be written to the standard output"});
  if (!AnyMeasured(*visit)) return FailWith({"no note could be measured; no result was written"});
  return refused > 0 ? kExitFailure : kExitOk;
}

}  // namespace

void AddMeasureCommand(CLI::App& app, int& exit_status) {
  auto options = std::make_shared<MeasureOptions>();
  CLI::App* command = app.add_subcommand(
      "measure", "Measure every note in the photos of one visit and say what to correct");
  command->add_option("photos", options->photos, "1 to 40 photos (JPEG, HEIC, PNG, TIFF)")
      ->required()
      ->type_name("PHOTO");
  const auto file = [&](const char* name, std::string& value, const char* help,
                        const char* type = "FILE") {
    return command->add_option(name, value, help)->type_name(type);
  };
  file("--camera", options->camera,
       "camera file, from `calibrate`; REQUIRED, this or --self-calibrate");
  command->add_flag("--self-calibrate", options->self_calibrate,
                    "find the camera of photos that belong to no --camera from the rig they show; "
                    "less certain than a calibration");
  file("--rig", options->rig, "rig file, from `strips` or `calibrate`")->required();
  file("--instrument", options->instrument, "instrument profile")->required();
  file("--first-note", options->first_note,
       "lowest note in view, like E1, where no register card says it", "NOTE");
  file("--damper", options->damper, "damper state in all photos: harp-raised, key-held or resting",
       "STATE");
  file("--record", options->record,
       "add the visit, or its photos in another damper state, to this service record (.tinerec)");
  file("--visit", options->visit, "name of the visit in the record", "NAME")->check(PlainName());
  file("--technician", options->technician, "initials of who took the photos", "INITIALS");
  file("--date", options->date, "day of the visit, like 2024-05-02; today if not given", "DAY");
  command->add_flag("--embed", options->embed, "keep the photos themselves in the record");
  file("--json", options->json, "write the result as JSON");
  file("--csv", options->csv, "write the result as CSV");
  file("--overlays", options->overlays, "write every photo with what was measured drawn on it",
       "DIR");
  command->add_flag("--debug", options->debug,
                    "with --overlays: pictures of every stage, in DIR/debug");
  command->add_flag("--verbose", options->verbose, "tell every stage on stderr");
  command->callback([options, &exit_status] { exit_status = Measure(*options); });
}

}  // namespace tinesight
