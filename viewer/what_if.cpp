#include "viewer/what_if.hpp"

namespace tinesight {
namespace {

bool Same(const PickupPlace& a, const PickupPlace& b) {
  return a.lateral_mm == b.lateral_mm && a.height_mm == b.height_mm && a.gap_mm == b.gap_mm;
}

}  // namespace

bool WhatIf::Moved() const { return !Same(now.place, then); }

std::optional<WhatIf> StartWhatIf(const NoteMeasurement& note, const NoteProfile& target,
                                  const ToneProfile& tone) {
  const auto place = PlaceOf(note);
  if (!place) return std::nullopt;
  WhatIf what_if;
  what_if.midi = note.midi;
  what_if.now = *place;
  what_if.tone_now = PredictNoteTone(target, tone, *place);
  MoveWhatIf(what_if, place->place, target, tone);
  return what_if;
}

void MoveWhatIf(WhatIf& what_if, const PickupPlace& then, const NoteProfile& target,
                const ToneProfile& tone) {
  what_if.then = then;
  MeasuredPlace there = what_if.now;
  there.place = then;
  what_if.tone_then = PredictNoteTone(target, tone, there);
  what_if.change = PredictToneChange(target, tone, what_if.now, then);
}

bool StartsFrom(const WhatIf& what_if, const NoteMeasurement& note) {
  const auto place = PlaceOf(note);
  return place && what_if.midi == note.midi && Same(place->place, what_if.now.place) &&
         place->expanded_u_mm == what_if.now.expanded_u_mm;
}

}  // namespace tinesight
