#pragma once

// For the command line and the program it starts: the same options, read by both.
#include <CLI/CLI.hpp>
#include <string>
#include <vector>

namespace tinesight {

struct ViewOptions {
  std::vector<std::string> files;  ///< as typed: one to show, and photos to measure
  std::string file;                ///< from `files`, by CheckViewOptions
  std::vector<std::string> new_photos;
  std::string photos;
  std::string instrument;
  std::string camera;
  std::string rig;
  std::string first_note;
  std::string damper;
  std::string watch;
  std::string visit;
  std::string note;
  std::string photo;
  std::string scene = "photo";
  std::string screenshot;
  std::string size;
  double magnify = 0.0;
  bool whole_window = false;
  bool whole_photo = false;
  bool down_the_tine = false;
  bool from_camera = false;
  bool large_type = false;
  bool light = false;
  int time_frames = 0;
  int width_px = 0;  ///< from `size`, by CheckViewOptions
  int height_px = 0;
};

void AddViewOptions(CLI::App& app, ViewOptions& options);

/// What the parser can't see: throws CLI::ValidationError (wrong usage). Fills file, photos
/// and size.
void CheckViewOptions(ViewOptions& options);

}  // namespace tinesight
