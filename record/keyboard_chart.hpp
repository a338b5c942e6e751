#pragma once

// For record/ alone.
#include <string>

#include "alignment/measurement.hpp"
#include "alignment/profile.hpp"
#include "record/drawing.hpp"

namespace tinesight {

/// One or two visits over the keyboard.
struct KeyboardChart {
  const VisitMeasurement* after = nullptr;   ///< filled marks
  const VisitMeasurement* before = nullptr;  ///< hollow marks; may be absent
  std::string after_name;
  std::string before_name;
  const InstrumentProfile* profile = nullptr;  ///< for the tolerance bands; may have no notes
};

/// Draws lateral offset, height and gap (and the damper's lift, where one was measured), one panel
/// each over the same keyboard: every note's figure with a bar of ±U (k = 2), its verdict by the
/// mark's shape, the band of what is tolerated in gray. Figures far outside stand at the panel's
/// edge as an arrow with their value.
void DrawKeyboardChart(Drawing& drawing, const Rect& box, const KeyboardChart& chart);

}  // namespace tinesight
