#pragma once

// For record/ alone.
#include "alignment/tone_evenness.hpp"
#include "record/drawing.hpp"

namespace tinesight {

/// Draws the predicted level and octave of every note over the keyboard from `first_midi` to
/// `last_midi`: the figure with its interval of 95 %, the line of its neighbors, and around it in
/// gray what is not heard. The mark's shape says whether the note sticks out; the name stands at
/// those that do, or probably do.
void DrawToneChart(Drawing& drawing, const Rect& box, const EvennessChart& chart, int first_midi,
                   int last_midi);

}  // namespace tinesight
