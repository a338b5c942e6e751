#include "vision/note_detection.hpp"

#include <algorithm>
#include <cmath>
#include <opencv2/imgcodecs.hpp>

#include "vision/tine_detection.hpp"

namespace tinesight {
namespace {

TinePrediction Predict(const DetectedPickup& pickup, const NoteGeometry& note,
                       const NoteDetectionOptions& options) {
  TinePrediction p;
  p.pickup_mm = {pickup.plane_mm.x(), pickup.plane_mm.y(), options.row_z_mm};
  p.height_mm = note.height_mm;
  p.gap_mm = note.gap_mm;
  p.length_mm = note.tine_length_mm;
  p.diameter_mm = note.tine_diameter_mm;
  // The rig may be clamped a little askew: the longer the tine, the further off its root may be.
  p.search_root_mm = 1.2 + 0.006 * note.tine_length_mm;
  return p;
}

void WriteDebug(const NoteDetectionOptions& options, int midi, const cv::Mat& picture) {
  if (!options.debug_dir || picture.empty()) return;
  // A debug picture that can't be written is no reason to stop measuring.
  try {
    cv::imwrite(
        (*options.debug_dir / (options.debug_prefix + "_" + std::to_string(midi) + ".png"))
            .string(),
        picture);
  } catch (const cv::Exception&) {
  }
}

bool RowInView(const PhotoView& view, const TinePrediction& p) {
  const Eigen::Vector3d tip = p.pickup_mm + Eigen::Vector3d(0.0, p.height_mm, -p.gap_mm);
  return view.Shows(p.pickup_mm, 20.0) &&
         view.Shows(tip - std::min(5.0, p.length_mm) * p.direction, 10.0);
}

}  // namespace

std::vector<NoteObservation> DetectNotes(const PhotoView& view, const DetectedPickups& pickups,
                                         const std::vector<NoteGeometry>& notes,
                                         const NoteDetectionOptions& options) {
  std::vector<NoteObservation> result;
  for (std::size_t i = 0; i < pickups.pickups.size() && i < notes.size(); ++i) {
    const DetectedPickup& pickup = pickups.pickups[i];
    NoteObservation seen;
    seen.midi = notes[i].midi;
    seen.flange = pickup.flange;
    seen.collar = pickup.collar;
    seen.pole = pickup.pole;
    const TinePrediction prediction = Predict(pickup, notes[i], options);
    if (!pickup.flange && !pickup.collar && !pickup.pole) {
      seen.problem = "its pickup could not be made out";
    } else if (!RowInView(view, prediction)) {
      seen.problem = "less than 5 mm of its tine is in view";
    } else {
      cv::Mat debug;
      const auto tine =
          DetectTine(view, prediction, options.debug_dir ? &debug : nullptr);
      if (tine) {
        seen.axis = tine->axis;
        seen.axis_score = tine->score;
        const double px_per_mm = view.camera.fx_px /
                                 (view.camera_from_world * prediction.pickup_mm).z();
        for (AxisPoint& p : seen.axis) {
          p.sigma_px = std::hypot(p.sigma_px, options.axis_floor_px,
                                  0.5 * tine->disagreement_mm * px_per_mm);
        }
      } else {
        seen.problem = "no rod of the tine's diameter stands out in front of its pickup";
      }
      WriteDebug(options, notes[i].midi, debug);
    }
    result.push_back(std::move(seen));
  }
  return result;
}

}  // namespace tinesight
