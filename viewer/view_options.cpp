#include "viewer/view_options.hpp"

#include <filesystem>
#include <sstream>

#include "alignment/note_name.hpp"
#include "viewer/folder_watch.hpp"

namespace tinesight {
namespace {

// One file to show; the rest are photos by their names.
void SplitFiles(ViewOptions& options) {
  options.file.clear();
  options.new_photos.clear();
  for (const std::string& file : options.files) {
    if (LooksLikePhotoName(file)) {
      options.new_photos.push_back(file);
    } else if (options.file.empty()) {
      options.file = file;
    } else {
      throw CLI::ValidationError(options.file + " and " + file +
                                 ": only one file can be shown; open them one after the other");
    }
  }
  constexpr std::size_t kMaxPhotos = 40;
  if (options.new_photos.size() > kMaxPhotos) {
    throw CLI::ValidationError(std::to_string(options.new_photos.size()) +
                               " photos are more than the 40 of one visit; leave some out");
  }
  const bool measures = !options.watch.empty() || !options.new_photos.empty();
  if (measures && (options.camera.empty() != options.rig.empty())) {
    throw CLI::ValidationError("--camera and --rig go together");
  }
  if (measures && !options.screenshot.empty()) {
    throw CLI::ValidationError(
        "--screenshot shows what is measured already; measure with `tinesight measure` first");
  }
}

}  // namespace

void AddViewOptions(CLI::App& app, ViewOptions& options) {
  app.add_option(
         "file", options.files,
         "service record (.tinerec), or a result of `measure --json`; and photos to measure "
         "as soon as the window is open")
      ->option_text("FILE [PHOTO...]");
  app.add_option("--photos", options.photos, "folder to look for the photos in")
      ->option_text("DIR");
  app.add_option("--instrument", options.instrument,
                 "instrument profile with the targets and tolerances of a result")
      ->option_text("FILE");
  app.add_option("--camera", options.camera, "camera file to measure new photos with")
      ->option_text("FILE");
  app.add_option("--rig", options.rig, "rig file to measure new photos with")->option_text("FILE");
  app.add_option("--first-note", options.first_note,
                 "lowest note in view of new photos, where no register card says it")
      ->option_text("NOTE");
  app.add_option("--damper", options.damper,
                 "damper state in new photos (as in the visit, if not given)")
      ->check(CLI::IsMember({"harp-raised", "key-held", "resting"}))
      ->option_text("STATE");
  app.add_option("--watch", options.watch,
                 "measure each photo that comes into this folder, and show what is left to turn")
      ->option_text("DIR");
  app.add_option("--visit", options.visit, "visit to show (the newest if not given)")
      ->option_text("NAME");
  app.add_option("--note", options.note, "note to select (the worst if not given)")
      ->option_text("NOTE");
  app.add_option("--photo", options.photo, "file name of the photo to show")->option_text("NAME");
  app.add_option("--scene", options.scene, "what to show: photo, harp or section")
      ->check(CLI::IsMember({"photo", "harp", "section"}))
      ->option_text("SCENE");
  app.add_option("--magnify", options.magnify, "draw the harp's offsets so many times larger, 1-20")
      ->check(CLI::Range(1.0, 20.0))
      ->option_text("TIMES");
  app.add_flag("--whole-photo", options.whole_photo, "the photo as a whole instead of the note");
  app.add_flag("--down-the-tine", options.down_the_tine,
               "with --scene harp: along the tine's axis");
  app.add_flag("--from-camera", options.from_camera,
               "with --scene harp: over the photo, as its camera saw the harp");
  app.add_flag("--large-type", options.large_type,
               "the note's figures and what to turn, readable at 2 m");
  app.add_flag("--light", options.light, "light instead of dark");
  app.add_option("--size", options.size, "size of the window or picture, px")
      ->option_text("WIDTHxHEIGHT");
  app.add_option("--screenshot", options.screenshot, "write the scene as PNG and end")
      ->option_text("NAME.png");
  app.add_flag("--whole-window", options.whole_window,
               "with --screenshot: the window with its panels");
  app.add_option("--time-frames", options.time_frames,
                 "draw so many frames and tell how long each took")
      ->check(CLI::Range(1, 100000))
      ->group("");
}

void CheckViewOptions(ViewOptions& options) {
  SplitFiles(options);
  if (!options.screenshot.empty()) {
    if (std::filesystem::path(options.screenshot).extension() != ".png") {
      throw CLI::ValidationError("--screenshot " + options.screenshot +
                                 ": the name must end in .png");
    }
    if (options.file.empty()) throw CLI::ValidationError("--screenshot needs a FILE to show");
  }
  if (!options.note.empty() && !ParseNoteName(options.note)) {
    throw CLI::ValidationError("--note " + options.note + ": is no note; write it like F#1");
  }
  if (options.size.empty()) {
    if (!options.screenshot.empty()) {
      options.width_px = 1280;
      options.height_px = 800;
    }
    return;
  }
  std::istringstream text(options.size);
  char cross = ' ';
  text >> options.width_px >> cross >> options.height_px;
  const bool whole = text && text.peek() == std::istringstream::traits_type::eof();
  if (!whole || cross != 'x' || options.width_px < 200 || options.height_px < 150 ||
      options.width_px > 8192 || options.height_px > 8192) {
    throw CLI::ValidationError("--size " + options.size +
                               ": write it like 1280x800, 200x150 to 8192x8192");
  }
}

}  // namespace tinesight
