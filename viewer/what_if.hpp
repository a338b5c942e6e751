#pragma once

#include <optional>

#include "alignment/tone_prediction.hpp"

namespace tinesight {

/// What a tine would sound like at another place: the sliders' state and what they predict, as
/// `tinesight what-if` has it. A prediction by tone_model's law; nothing has been listened to.
struct WhatIf {
  int midi = 0;
  MeasuredPlace now;
  PickupPlace then;
  NoteTone tone_now;
  NoteTone tone_then;
  ToneChange change;
  [[nodiscard]] bool Moved() const;
};

/// The note where it was measured, then = now. Nothing where lateral offset, height and gap are not
/// all measured.
[[nodiscard]] std::optional<WhatIf> StartWhatIf(const NoteMeasurement& note,
                                                const NoteProfile& target, const ToneProfile& tone);
/// Moves `then` there and predicts anew. Precondition: a gap > 0.
void MoveWhatIf(WhatIf& what_if, const PickupPlace& then, const NoteProfile& target,
                const ToneProfile& tone);
/// Whether it still starts from the note's figures (they change with each new photo).
[[nodiscard]] bool StartsFrom(const WhatIf& what_if, const NoteMeasurement& note);

}  // namespace tinesight
