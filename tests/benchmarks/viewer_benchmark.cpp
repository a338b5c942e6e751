// Time of one frame of the window with 88 notes at 1280 × 800, the view moving in each. Needs a
// screen, or `xvfb-run -a`; with Mesa's software renderer it is to stay under 50 ms.

#include <benchmark/benchmark.h>

#include <array>
#include <filesystem>
#include <fstream>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <string>

#include "alignment/hand_solve.hpp"
#include "alignment/note_name.hpp"
#include "calibration/file_io.hpp"
#include "record/result_json.hpp"
#include "viewer/window/application.hpp"

namespace tinesight {
namespace {

// 88 notes, A0 to C8, each a little off.
VisitMeasurement WholeKeyboard() {
  VisitMeasurement visit;
  for (int midi = 21; midi <= 108; ++midi) {
    NoteMeasurement note;
    note.midi = midi;
    note.name = NoteName(midi);
    note.photos = 2;
    const double offset = 0.1 * (midi * 7 % 19 - 9);
    note.lateral_mm = Measured{offset, 0.1};
    note.height_mm = Measured{1.2, 0.1};
    note.gap_mm = Measured{1.5, 0.2};
    note.lateral_verdict = Judge(offset, 0.1, 0.5);
    note.height_verdict = note.gap_verdict = Verdict::kInTolerance;
    const double x = 13.7 * (midi - 21);
    note.pickup_harp_mm = {x, 0.0, 0.0};
    note.root_harp_mm = {x, 1.0, -160.0 + 1.6 * (midi - 21)};
    note.tip_harp_mm = {x + offset, 1.2, -1.5};
    visit.notes.push_back(note);
  }
  return visit;
}

void FrameOf88Notes(benchmark::State& state, Stage scene) {
  const std::filesystem::path file =
      std::filesystem::temp_directory_path() / "tinesight_viewer_benchmark.json";
  if (!WriteFileAtomically(file, ResultJson(WholeKeyboard()))) {
    state.SkipWithError("the result can't be written");
    return;
  }
  ViewRequest request;
  request.file = file;
  request.scene = scene;
  request.hidden = true;
  request.width_px = 1280;
  request.height_px = 800;
  auto app = Application::Make(request);
  std::error_code ignored;
  std::filesystem::remove(file, ignored);
  if (!app) {
    state.SkipWithError(app.error().message.c_str());
    return;
  }
  (void)(*app)->TimeFrames(5);  // the first frames compile the renderer's shaders
  for (auto round : state) benchmark::DoNotOptimize((*app)->TimeFrames(1));
}
BENCHMARK_CAPTURE(FrameOf88Notes, harp, Stage::kHarp)->Unit(benchmark::kMillisecond)->UseRealTime();
BENCHMARK_CAPTURE(FrameOf88Notes, section, Stage::kSection)
    ->Unit(benchmark::kMillisecond)
    ->UseRealTime();

// 40 photos of 50 megapixels: one JPEG under 40 names, with texture that a decoder can't skip.
VisitMeasurement FortyBigPhotos(const std::filesystem::path& folder) {
  constexpr int kWidth = 8160;
  constexpr int kHeight = 6120;
  cv::Mat texture(kHeight / 8, kWidth / 8, CV_8UC3);
  cv::theRNG().state = 1;
  cv::randu(texture, 0, 255);
  cv::Mat picture;
  cv::resize(texture, picture, {kWidth, kHeight}, 0, 0, cv::INTER_CUBIC);
  const auto first = folder / "P0.jpg";
  cv::imwrite(first.string(), picture);
  VisitMeasurement visit = WholeKeyboard();
  for (int i = 0; i < 40; ++i) {
    PhotoMeasurement photo;
    const auto file = folder / std::string("P").append(std::to_string(i)).append(".jpg");
    if (i > 0) std::filesystem::create_hard_link(first, file);
    photo.file = file.string();
    photo.used = true;
    photo.camera.width_px = kWidth;
    photo.camera.height_px = kHeight;
    photo.camera.fx_px = photo.camera.fy_px = 6200.0;
    photo.camera.cx_px = 0.5 * kWidth;
    photo.camera.cy_px = 0.5 * kHeight;
    photo.camera.distortion = {0.05, -0.02, 0.0, 0.0, 0.0};
    const int middle = 24 + 2 * i;
    photo.camera_from_harp.translation() = Eigen::Vector3d(-13.7 * (middle - 21), 0.0, 420.0);
    for (int midi = middle - 8; midi <= middle + 8; ++midi) {
      if (midi >= 21 && midi <= 108) photo.notes.push_back(midi);
    }
    visit.photos.push_back(std::move(photo));
  }
  return visit;
}

// The most that this process ever had in memory, MB (Linux: VmHWM of proc(5)). Run this benchmark
// alone (--benchmark_filter=FortyPhotos), as others count too.
double PeakMegabytes() {
  std::ifstream status("/proc/self/status");
  for (std::string line; std::getline(status, line);) {
    if (line.starts_with("VmHWM:")) return std::stod(line.substr(6)) / 1024.0;
  }
  return 0.0;
}

void FortyPhotosOf50Megapixels(benchmark::State& state) {
  const auto folder = std::filesystem::temp_directory_path() / "tinesight_big_photos";
  std::filesystem::create_directories(folder);
  const auto file = folder / "result.json";
  if (!WriteFileAtomically(file, ResultJson(FortyBigPhotos(folder)))) {
    state.SkipWithError("the result can't be written");
    return;
  }
  ViewRequest request;
  request.file = file;
  request.hidden = true;
  request.width_px = 1280;
  request.height_px = 800;
  for (auto round : state) {
    auto app = Application::Make(request);
    if (!app) {
      state.SkipWithError(app.error().message.c_str());
      break;
    }
    (*app)->LoadEverything();
  }
  state.counters["peak_MB"] = PeakMegabytes();
  std::error_code ignored;
  std::filesystem::remove_all(folder, ignored);
}
BENCHMARK(FortyPhotosOf50Megapixels)->Unit(benchmark::kSecond)->UseRealTime()->Iterations(1);

// One note again after its handles were dragged: what stands between mouse button and figures.
void SolveOneNoteByHand(benchmark::State& state) {
  const VisitMeasurement visit = WholeKeyboard();
  const NoteMeasurement& note = visit.notes[20];
  InstrumentProfile profile;
  NoteProfile target;
  target.midi = note.midi;
  profile.notes.push_back(target);
  HandPlacement placement;
  placement.camera.width_px = 4032;
  placement.camera.height_px = 3024;
  placement.camera.fx_px = placement.camera.fy_px = 3081.0;
  placement.camera.cx_px = 2016.0;
  placement.camera.cy_px = 1512.0;
  placement.camera_from_harp.translation() = Eigen::Vector3d(-note.pickup_harp_mm.x(), 0.0, 420.0);
  const auto at = [&](const Eigen::Vector3d& p) {
    const Eigen::Vector3d c = placement.camera_from_harp * p;
    return Eigen::Vector2d(3081.0 * c.x() / c.z() + 2016.0, 3081.0 * c.y() / c.z() + 1512.0);
  };
  placement.axis_px = {at(note.root_harp_mm), at(note.tip_harp_mm)};
  placement.pickup_px = at(note.pickup_harp_mm);
  const std::array placements{placement, placement};
  for (auto round : state) {
    auto solved = SolveByHand(note, profile, placements);
    if (!solved) state.SkipWithError(solved.error().message.c_str());
    benchmark::DoNotOptimize(solved);
  }
}
BENCHMARK(SolveOneNoteByHand)->Unit(benchmark::kMillisecond);

}  // namespace
}  // namespace tinesight
