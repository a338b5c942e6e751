#include "alignment/second_look.hpp"

#include <cmath>
#include <map>

#include "alignment/debug_pictures.hpp"
#include "alignment/seen_elsewhere.hpp"
#include "vision/photo.hpp"
#include "vision/sharpening.hpp"

namespace tinesight {
namespace {

/// The pickups of `staged`, as they are seen from where the harp is known to stand.
/// The pickup of note m is the one near x = spacing · (m − first).
std::vector<DetectedPickup> FindPickupsAgain(const PhotoView& view, const StagedPhoto& staged,
                                             const InstrumentProfile& profile) {
  constexpr double kSearchMm = 6.0;
  const double spacing_mm = profile.note_spacing_mm;
  const auto x_of = [&](int midi) { return spacing_mm * (midi - profile.FirstMidi()); };
  PickupRowOptions options = staged.row_options;
  options.search_y_mm = kSearchMm;
  options.row_y_mm = 0.0;
  options.row_z_mm = 0.0;
  options.min_x_mm = x_of(staged.geometry.front().midi) - 1.5 * spacing_mm;
  options.max_x_mm = x_of(staged.geometry.back().midi) + 1.5 * spacing_mm;
  std::vector<DetectedPickup> pickups = staged.pickups;
  const auto row = FindPickupRow(view, options);
  if (!row) return pickups;
  std::map<int, DetectedPickup> again;
  for (const DetectedPickup& pickup : DetectPickups(view, *row, options)) {
    const auto place = static_cast<int>(std::lround(pickup.plane_mm.x() / spacing_mm));
    again[profile.FirstMidi() + place] = pickup;
  }
  for (std::size_t i = 0; i < pickups.size(); ++i) {
    const auto found = again.find(staged.geometry[i].midi);
    if (found != again.end()) pickups[i] = found->second;
  }
  return pickups;
}

/// `warnings` must outlive the options.
NoteDetectionOptions DetectionOptions(const MeasureRequest& request, std::size_t request_index,
                                      std::vector<std::string>& warnings) {
  NoteDetectionOptions options;
  options.note_spacing_mm = request.profile.note_spacing_mm;
  options.tone_bar_width_mm = request.profile.tone_bar_width_mm;
  if (request.debug_dir) {
    options.debug = [&request, &warnings, request_index](int midi, std::string_view png) {
      // No reason to stop measuring; and what is wrong with one is often wrong with all.
      const auto written = WriteDebugPicture(request, request_index, midi, png);
      if (!written && warnings.empty()) warnings.push_back(written.error().message);
    };
  }
  return options;
}

}  // namespace

SecondLook LookAgain(const MeasureRequest& request, const std::vector<StagedPhoto>& staged,
                     const std::vector<PhotoObservations>& observations,
                     const HarpSolution& solution, std::size_t index) {
  const StagedPhoto& photo = staged[index];
  const auto picture = ReadPhoto(request.photos[photo.request_index]);
  if (!picture) return {observations[index].notes, {}};
  PhotoView view;
  view.bgr = Sharpened(picture->bgr, photo.noise_sigma);
  view.gray = Sharpened(picture->gray, photo.noise_sigma);
  view.camera = solution.cameras[index];
  view.camera_from_world = solution.camera_from_harp[index];
  std::vector<NoteGeometry> geometry = photo.geometry;
  for (NoteGeometry& note : geometry) {
    for (const SolvedNote& solved : solution.notes) {
      if (solved.midi != note.midi) continue;
      note.expected = LineOf(solved);
      note.seen_elsewhere =
          TineSeenElsewhere(observations, solution, request.profile, solved, index);
    }
  }
  SecondLook look;
  look.notes = DetectNotes(view, FindPickupsAgain(view, photo, request.profile), geometry,
                           DetectionOptions(request, photo.request_index, look.warnings));
  return look;
}

}  // namespace tinesight
