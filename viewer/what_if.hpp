#pragma once

#include <optional>
#include <string>

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
/// The least and the most that can be tried: what a technician could set, and always the measured
/// place itself.
[[nodiscard]] PickupPlace LeastPlace(const WhatIf& what_if);
[[nodiscard]] PickupPlace MostPlace(const WhatIf& what_if);
/// Moves `then` there, or as far that way as can be tried, and predicts anew.
void MoveWhatIf(WhatIf& what_if, const PickupPlace& then, const NoteProfile& target,
                const ToneProfile& tone);
/// Whether it still starts from the note's figures (they change with each new photo).
[[nodiscard]] bool StartsFrom(const WhatIf& what_if, const NoteMeasurement& note);

/// "what if at lateral 0.00, height 1.18, gap 1.58 mm: level +1.0 dB, octave −5.6 dB, twelfth
/// faint (predicted)": for a medium stroke, against the measured place.
[[nodiscard]] std::string WhatIfSummary(const WhatIf& what_if);

/// Harmonics this far under the fundamental are not compared (`tinesight what-if` draws the same
/// line).
inline constexpr double kFaintHarmonicDb = -40.0;
/// With a real minus sign, and a plus where asked for and the digits are not all zero.
[[nodiscard]] std::string SignedDecimals(double value, bool plus, int decimals);

}  // namespace tinesight
