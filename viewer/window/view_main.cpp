// tinesight-view: what `tinesight view` starts, a program of its own so that the command line does
// not wait for window and graphics libraries. `tinesight` passes its arguments on.
#include <CLI/CLI.hpp>
#include <exception>
#include <iostream>
#include <map>
#include <string>

#include "viewer/view_options.hpp"
#include "viewer/window/application.hpp"

namespace {

int Fail(const std::string& message) {
  std::cerr << "tinesight: " << message << '\n';
  return 1;
}

tinesight::ViewRequest RequestOf(const tinesight::ViewOptions& options) {
  tinesight::ViewRequest request;
  request.file = options.file;
  request.photos = options.photos;
  request.instrument = options.instrument;
  request.measure = {options.camera, options.rig, options.instrument, options.first_note,
                     options.damper};
  request.watch = options.watch;
  request.new_photos.assign(options.new_photos.begin(), options.new_photos.end());
  request.visit = options.visit;
  request.note = options.note;
  request.photo = options.photo;
  request.scene = options.scene == "harp"      ? tinesight::Stage::kHarp
                  : options.scene == "section" ? tinesight::Stage::kSection
                                               : tinesight::Stage::kPhoto;
  if (options.magnify > 0.0) request.magnification = options.magnify;
  request.screenshot = options.screenshot;
  request.whole_window = options.whole_window;
  request.whole_photo = options.whole_photo;
  request.down_the_tine = options.down_the_tine;
  request.from_camera = options.from_camera;
  request.large_type = options.large_type;
  request.light = options.light;
  request.width_px = options.width_px;
  request.height_px = options.height_px;
  return request;
}

int View(const tinesight::ViewOptions& options) {
  auto app = tinesight::Application::Make(RequestOf(options));
  if (!app) return Fail(app.error().message);
  if (options.time_frames > 0) {
    double total = 0.0;
    double worst = 0.0;
    for (const double seconds : (*app)->TimeFrames(options.time_frames)) {
      total += seconds;
      worst = std::max(worst, seconds);
    }
    std::cout << "mean " << 1e3 * total / options.time_frames << " ms, worst " << 1e3 * worst
              << " ms\n";
    return 0;
  }
  const auto done =
      options.screenshot.empty() ? (*app)->Run() : (*app)->WriteScreenshot(options.screenshot);
  return done ? 0 : Fail(done.error().message);
}

}  // namespace

int main(int argc, char** argv) {
  CLI::App app;
  tinesight::ViewOptions options;
  tinesight::AddViewOptions(app, options);
  try {
    app.parse(argc, argv);
    tinesight::CheckViewOptions(options);
    return View(options);
  } catch (const CLI::ParseError& error) {
    std::cerr << "tinesight: " << error.what() << " (see tinesight view --help)\n";
    return 2;
  } catch (const std::exception& error) {
    return Fail(std::string("stopped by an unexpected failure: ") + error.what());
  }
}
