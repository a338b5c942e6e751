#include "record/visit_comparison.hpp"

#include <algorithm>
#include <cmath>

#include "record/quantity_view.hpp"
#include "record/work_list.hpp"

namespace tinesight {
namespace {

Measured Difference(const Measured& before, const Measured& after) {
  return {after.value - before.value, std::hypot(before.expanded_u, after.expanded_u)};
}

ChangeKind KindOf(const QuantityChange& change, double target_mm) {
  if (!(std::abs(change.change_mm.value) > change.change_mm.expanded_u)) return ChangeKind::kSame;
  const double before = std::abs(change.before_mm.value - target_mm);
  const double after = std::abs(change.after_mm.value - target_mm);
  return after < before ? ChangeKind::kImproved : ChangeKind::kWorse;
}

// A height with a damper on it is another quantity than one without.
bool Comparable(const Visit& before, const Visit& after, int midi, const QuantityView& view) {
  return view.quantity != Quantity::kHeight ||
         before.HeightIsFree(midi) == after.HeightIsFree(midi);
}

std::vector<QuantityChange> Changes(const ServiceRecord& record, const Visit& before,
                                    const Visit& after, const NoteMeasurement& old_note,
                                    const NoteMeasurement& new_note) {
  const NoteProfile* target = record.ProfileOf(after).Find(new_note.midi);
  std::vector<QuantityChange> changes;
  for (const QuantityView& view : kQuantities) {
    const std::optional<Measured>& was = old_note.*view.measured;
    const std::optional<Measured>& is = new_note.*view.measured;
    if (!was || !is || !Comparable(before, after, new_note.midi, view)) continue;
    QuantityChange change;
    change.quantity = view.quantity;
    change.before_mm = *was;
    change.after_mm = *is;
    change.change_mm = Difference(*was, *is);
    change.verdict_before = old_note.*view.verdict;
    change.verdict_after = new_note.*view.verdict;
    change.kind = KindOf(change, target != nullptr ? view.TargetMm(*target) : 0.0);
    changes.push_back(change);
  }
  return changes;
}

std::vector<std::string> WorkBetween(const ServiceRecord& record, const Visit& before,
                                     const Visit& after, int midi) {
  const auto between = [&](const std::string& date) {
    return before.date <= date && date <= after.date;
  };
  std::vector<std::string> work;
  for (const WorkDone& done : record.work_done) {
    if (between(done.stamp.date) && (!done.midi || *done.midi == midi)) work.push_back(done.text);
  }
  for (const Finding& finding : record.findings) {
    const bool replaced = finding.part == FindingPart::kGrommet && finding.state == "replaced";
    if (replaced && finding.midi == midi && between(finding.stamp.date)) {
      work.push_back(FindingText(finding));
    }
  }
  for (const WorkTick& tick : record.ticks) {
    const bool counts = record.TickOf(tick.visit_id, tick.midi, tick.task) == &tick;
    if (counts && tick.done && tick.midi == midi && between(tick.stamp.date)) {
      work.push_back("ticked off: " + TaskHeading(tick.task));
    }
  }
  return work;
}

// "lateral 0.62 mm toward treble, U 0.06: re-center"; empty: nothing is open.
std::string OpenReason(const NoteMeasurement& old_note, const NoteMeasurement& new_note) {
  std::string reason;
  for (const QuantityView& view : kQuantities) {
    const Verdict now = new_note.*view.verdict;
    const bool was_out = old_note.*view.verdict == Verdict::kOutOfTolerance;
    if (now == Verdict::kInTolerance || (now != Verdict::kOutOfTolerance && !was_out)) continue;
    reason +=
        (reason.empty() ? "" : "; ") + std::string(view.name) + " " + JudgedText(view, new_note);
  }
  return reason;
}

NoteComparison CompareNote(const ServiceRecord& record, const Visit& before, const Visit& after,
                           const NoteMeasurement& old_note, const NoteMeasurement& new_note) {
  NoteComparison note;
  note.midi = new_note.midi;
  note.name = new_note.name;
  note.changes = Changes(record, before, after, old_note, new_note);
  if (old_note.yaw_deg && new_note.yaw_deg) {
    note.yaw_change_deg = Difference(*old_note.yaw_deg, *new_note.yaw_deg);
  }
  note.work = WorkBetween(record, before, after, note.midi);
  note.worked_on = !note.work.empty();
  const auto any = [&](ChangeKind kind) {
    return std::any_of(note.changes.begin(), note.changes.end(),
                       [&](const QuantityChange& change) { return change.kind == kind; });
  };
  note.worse = any(ChangeKind::kWorse);
  note.improved = any(ChangeKind::kImproved) && !note.worse;
  note.moved_untouched = !note.worked_on && (note.worse || any(ChangeKind::kImproved));
  note.open_reason = OpenReason(old_note, new_note);
  note.open = !note.open_reason.empty();
  return note;
}

bool AnyOut(const NoteMeasurement& note) {
  return std::any_of(kQuantities.begin(), kQuantities.end(), [&](const QuantityView& view) {
    return note.*view.verdict == Verdict::kOutOfTolerance;
  });
}

void AddLifts(const Visit& before, const Visit& after, VisitComparison& comparison) {
  const auto lift = [](const NoteMeasurement* note) {
    return note != nullptr ? note->damper_lift_mm : std::nullopt;
  };
  for (int midi = 0; midi <= 127; ++midi) {
    const NoteMeasurement* old_note = before.Find(midi);
    const NoteMeasurement* new_note = after.Find(midi);
    if (!lift(old_note) && !lift(new_note)) continue;
    const std::string& name = old_note != nullptr ? old_note->name : new_note->name;
    comparison.damper_lifts.push_back({name, lift(old_note), lift(new_note)});
  }
}

}  // namespace

VisitComparison CompareVisits(const ServiceRecord& record, const Visit& before,
                              const Visit& after) {
  VisitComparison comparison;
  comparison.before = before.name;
  comparison.after = after.name;
  comparison.before_date = before.date;
  comparison.after_date = after.date;
  comparison.spring_warnings = SpringWarnings(record);
  for (const NoteMeasurement& old_note : before.measurement.notes) {
    if (!old_note.lateral_mm) continue;
    const NoteMeasurement* new_note = after.Find(old_note.midi);
    if (new_note == nullptr || !new_note->lateral_mm) {
      comparison.only_before.push_back(old_note.name);
      if (AnyOut(old_note)) comparison.not_again.push_back(old_note.name);
    } else {
      comparison.notes.push_back(CompareNote(record, before, after, old_note, *new_note));
    }
  }
  for (const NoteMeasurement& new_note : after.measurement.notes) {
    const NoteMeasurement* old_note = before.Find(new_note.midi);
    if (new_note.lateral_mm && (old_note == nullptr || !old_note->lateral_mm)) {
      comparison.only_after.push_back(new_note.name);
    }
  }
  AddLifts(before, after, comparison);
  return comparison;
}

}  // namespace tinesight
