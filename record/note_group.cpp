#include "record/note_group.hpp"

#include <algorithm>
#include <cmath>
#include <optional>

namespace tinesight {
namespace {

bool Any(const NoteMeasurement& note, Verdict verdict) {
  return note.lateral_verdict == verdict || note.height_verdict == verdict ||
         note.gap_verdict == verdict;
}

double Excess(const std::optional<Measured>& measured, double target, double tolerance,
              Verdict verdict) {
  if (!measured || verdict != Verdict::kOutOfTolerance || !(tolerance > 0.0)) return 0.0;
  return (std::abs(measured->value - target) - measured->expanded_u) / tolerance;
}

}  // namespace

NoteGroup GroupOf(const NoteMeasurement& note) {
  if (!note.lateral_mm) return NoteGroup::kNotMeasured;
  if (Any(note, Verdict::kOutOfTolerance)) return NoteGroup::kOut;
  if (note.lateral_verdict == Verdict::kUncertain) return NoteGroup::kUncertain;
  if (Any(note, Verdict::kUncertain)) return NoteGroup::kPartly;
  return NoteGroup::kGood;
}

double Badness(const NoteMeasurement& note, const InstrumentProfile* profile) {
  const NoteProfile* nominal = profile != nullptr ? profile->Find(note.midi) : nullptr;
  if (nominal == nullptr) return Excess(note.lateral_mm, 0.0, 1.0, note.lateral_verdict);
  return std::max(
      {Excess(note.lateral_mm, 0.0, nominal->tolerance_lateral_mm, note.lateral_verdict),
       Excess(note.height_mm, nominal->height_mm, nominal->tolerance_height_mm,
              note.height_verdict),
       Excess(note.gap_mm, nominal->gap_mm, nominal->tolerance_gap_mm, note.gap_verdict)});
}

}  // namespace tinesight
