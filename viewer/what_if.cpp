#include "viewer/what_if.hpp"

#include <algorithm>
#include <cmath>

#include "record/text_util.hpp"

namespace tinesight {
namespace {

bool Same(const PickupPlace& a, const PickupPlace& b) {
  return a.lateral_mm == b.lateral_mm && a.height_mm == b.height_mm && a.gap_mm == b.gap_mm;
}

std::string ChangeText(const char* name, double before_db, double after_db, double change_db) {
  const bool faint = before_db < kFaintHarmonicDb && after_db < kFaintHarmonicDb;
  return std::string(", ") + name + ' ' +
         (faint ? "faint" : SignedDecimals(change_db, true, 1) + " dB");
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

PickupPlace LeastPlace(const WhatIf& what_if) {
  const PickupPlace& now = what_if.now.place;
  return {std::min(-2.5, now.lateral_mm), std::min(-1.0, now.height_mm), std::min(0.3, now.gap_mm)};
}

PickupPlace MostPlace(const WhatIf& what_if) {
  const PickupPlace& now = what_if.now.place;
  return {std::max(2.5, now.lateral_mm), std::max(4.0, now.height_mm), std::max(5.0, now.gap_mm)};
}

void MoveWhatIf(WhatIf& what_if, const PickupPlace& then, const NoteProfile& target,
                const ToneProfile& tone) {
  const PickupPlace least = LeastPlace(what_if);
  const PickupPlace most = MostPlace(what_if);
  what_if.then = {std::clamp(then.lateral_mm, least.lateral_mm, most.lateral_mm),
                  std::clamp(then.height_mm, least.height_mm, most.height_mm),
                  std::clamp(then.gap_mm, least.gap_mm, most.gap_mm)};
  MeasuredPlace there = what_if.now;
  there.place = what_if.then;
  what_if.tone_then = PredictNoteTone(target, tone, there);
  what_if.change = PredictToneChange(target, tone, what_if.now, what_if.then);
}

bool StartsFrom(const WhatIf& what_if, const NoteMeasurement& note) {
  const auto place = PlaceOf(note);
  return place && what_if.midi == note.midi && Same(place->place, what_if.now.place) &&
         place->expanded_u_mm == what_if.now.expanded_u_mm;
}

std::string WhatIfSummary(const WhatIf& what_if) {
  const DynamicTone& now = what_if.tone_now.Of(Dynamic::kMedium);
  const DynamicTone& then = what_if.tone_then.Of(Dynamic::kMedium);
  const DynamicTone& change = what_if.change.Of(Dynamic::kMedium);
  return "what if at lateral " + SignedDecimals(what_if.then.lateral_mm, true, 2) + ", height " +
         SignedDecimals(what_if.then.height_mm, false, 2) + ", gap " +
         SignedDecimals(what_if.then.gap_mm, false, 2) + " mm: level " +
         SignedDecimals(change.level_db.value, true, 1) + " dB" +
         ChangeText("octave", now.second_db.value, then.second_db.value, change.second_db.value) +
         ChangeText("twelfth", now.third_db.value, then.third_db.value, change.third_db.value) +
         " (predicted)";
}

std::string SignedDecimals(double value, bool plus, int decimals) {
  std::string digits = FixedDecimals(std::abs(value), decimals);
  const bool nothing = digits.find_first_not_of("0.") == std::string::npos;
  if (nothing) return digits;
  return (value < 0.0 ? "−" : plus ? "+" : "") + digits;
}

}  // namespace tinesight
