#pragma once

#include <optional>
#include <string>
#include <vector>

#include "vision/note_observation.hpp"

namespace tinesight {

/// From where a photo's blocks are seen, and what is known of them.
struct BlockSight {
  double tan_elevation = 0.3;    ///< of the camera over the tines, as seen from their roots
  double block_height_mm = 0.0;  ///< 0: not known
};

/// Tines get longer from note to note, so where they come out of their blocks tells whether they
/// are named right. Says how the tines of one photo differ from what the profile has for their
/// names ("its tines are some 5 mm shorter than the profile's"); absent: they don't, or too few are
/// seen to tell. Some 4 mm are seen: a note in the lowest register, three or four in the middle.
[[nodiscard]] std::optional<std::string> LengthMismatch(const std::vector<NoteObservation>& notes,
                                                        const BlockSight& sight);

}  // namespace tinesight
