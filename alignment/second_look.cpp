#include "alignment/second_look.hpp"

#include <algorithm>

#include "alignment/debug_pictures.hpp"
#include "alignment/seen_elsewhere.hpp"
#include "vision/photo.hpp"
#include "vision/sharpening.hpp"

namespace tinesight {
namespace {

/// nullptr: the solve doesn't have it.
const SolvedNote* FindSolved(const HarpSolution& solution, int midi) {
  const auto found = std::find_if(solution.notes.begin(), solution.notes.end(),
                                  [midi](const SolvedNote& solved) { return solved.midi == midi; });
  return found == solution.notes.end() ? nullptr : &*found;
}

/// Where the solve has the middle of a note's flange, harp frame; of a note that it doesn't have,
/// where the row has it.
Eigen::Vector3d FlangeMm(int midi, const HarpSolution& solution, double depth_mm,
                         const InstrumentProfile& profile) {
  using N = SolvedNote;
  const SolvedNote* solved = FindSolved(solution, midi);
  if (solved == nullptr) {
    return {profile.note_spacing_mm * (midi - profile.FirstMidi()), 0.0, depth_mm};
  }
  const auto& s = solved->state;
  return {s[N::kX], s[N::kY], s[N::kZ] + s[N::kRecess] + depth_mm};
}

/// The pickups of `staged`, as they are seen from where the harp is known to stand.
std::vector<DetectedPickup> FindPickupsAgain(const PhotoView& view, const StagedPhoto& staged,
                                             const HarpSolution& solution,
                                             const InstrumentProfile& profile) {
  const auto placement = static_cast<std::size_t>(staged.observations.placement);
  PickupRowOptions options = staged.row_options;
  options.pole_protrusion_mm = solution.ring_depths_mm[placement].x();
  options.row_z_mm = 0.0;
  PickupRow row;
  for (std::size_t i = 0; i < staged.pickups.size(); ++i) {
    const Eigen::Vector3d flange =
        FlangeMm(staged.geometry[i].midi, solution, options.pole_protrusion_mm, profile);
    row.pickups.push_back({.index = staged.pickups[i].index,
                           .plane_mm = view.OnPlane(flange, options.row_z_mm).head<2>()});
  }
  return DetectPickups(view, row, options);
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
    const SolvedNote* solved = FindSolved(solution, note.midi);
    if (solved == nullptr) continue;
    note.expected = LineOf(*solved);
    note.seen_elsewhere =
        TineSeenElsewhere(observations, solution, request.profile, *solved, index);
  }
  SecondLook look;
  look.notes = DetectNotes(view, FindPickupsAgain(view, photo, solution, request.profile), geometry,
                           DetectionOptions(request, photo.request_index, look.warnings));
  return look;
}

}  // namespace tinesight
