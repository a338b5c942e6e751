#pragma once

#include <functional>
#include <optional>
#include <string_view>
#include <vector>

#include "vision/note_observation.hpp"
#include "vision/photo_view.hpp"
#include "vision/pickup_detection.hpp"
#include "vision/tine_prediction.hpp"

namespace tinesight {

/// What a note should look like: nominal geometry from the instrument profile, and where its tine
/// is, once photos were solved together.
struct NoteGeometry {
  int midi = 0;
  double tine_length_mm = 100.0;
  double tine_diameter_mm = 1.9;
  double gap_mm = 1.4;
  double height_mm = 1.0;
  /// The tine's axis as all photos say; absent: it is looked for in front of its pickup, in line
  /// with the others.
  std::optional<TineLine> expected;
  std::optional<TineLine> seen_elsewhere;  ///< the same as photos other than this one say
};

struct NoteDetectionOptions {
  double row_z_mm = 0.0;  ///< of the pickups' faces in the carrier frame
  double note_spacing_mm = 13.7;
  bool tone_bars = true;           ///< whether to look for them too
  double tone_bar_width_mm = 0.0;  ///< 0: not known, found from the photo
  /// Receives the straightened picture of every note, with outline points, chosen line and ends, as
  /// a PNG's bytes; empty: none is drawn.
  std::function<void(int midi, std::string_view png)> debug;
};

/// Looks for each note's tine in front of its pickup, or where it is expected, and for the tone bar
/// behind it. `notes` is parallel to `pickups`, and so is the result; a note without a tine has its
/// `problem` set.
[[nodiscard]] std::vector<NoteObservation> DetectNotes(const PhotoView& view,
                                                       const std::vector<DetectedPickup>& pickups,
                                                       const std::vector<NoteGeometry>& notes,
                                                       const NoteDetectionOptions& options);

}  // namespace tinesight
