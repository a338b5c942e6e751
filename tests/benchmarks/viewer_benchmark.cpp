// Time of one frame of the window with 88 notes at 1280 × 800, the view moving in each. Needs a
// screen, or `xvfb-run -a`; with Mesa's software renderer it is to stay under 50 ms.

#include <benchmark/benchmark.h>

#include <filesystem>
#include <string>

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
  for (auto round : state) benchmark::DoNotOptimize((*app)->TimeFrames(1));
}
BENCHMARK_CAPTURE(FrameOf88Notes, harp, Stage::kHarp)->Unit(benchmark::kMillisecond)->UseRealTime();
BENCHMARK_CAPTURE(FrameOf88Notes, section, Stage::kSection)
    ->Unit(benchmark::kMillisecond)
    ->UseRealTime();

}  // namespace
}  // namespace tinesight
