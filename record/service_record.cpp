#include "record/service_record.hpp"

#include <algorithm>
#include <chrono>
#include <cmath>
#include <map>

#include "record/record_words.hpp"

namespace tinesight {
namespace {

// The smaller, the more a set's figures count.
int DamperRank(DamperState damper) {
  switch (damper) {
    case DamperState::kHarpRaised:
    case DamperState::kKeyHeld:
      return 0;
    case DamperState::kUnknown:
      return 1;
    case DamperState::kResting:
      break;
  }
  return 2;
}

struct NoteOfSet {
  const NoteMeasurement* note;
  DamperState damper;
};

// Whether `a` counts before `b`: measured at all, then by damper, then by the U of the height.
bool CountsBefore(const NoteOfSet& a, const NoteOfSet& b) {
  const bool a_measured = a.note->lateral_mm.has_value();
  const bool b_measured = b.note->lateral_mm.has_value();
  if (a_measured != b_measured) return a_measured;
  if (DamperRank(a.damper) != DamperRank(b.damper)) {
    return DamperRank(a.damper) < DamperRank(b.damper);
  }
  if (!a.note->height_mm || !b.note->height_mm) return a.note->height_mm.has_value();
  return a.note->height_mm->expanded_u < b.note->height_mm->expanded_u;
}

// Height at rest minus height with the damper off; the two solves are independent measurements.
std::optional<Measured> DamperLift(const std::vector<NoteOfSet>& notes) {
  const NoteOfSet* off = nullptr;
  const NoteOfSet* resting = nullptr;
  for (const NoteOfSet& note : notes) {
    if (!note.note->height_mm) continue;
    if (note.damper == DamperState::kResting) resting = &note;
    if (DamperRank(note.damper) == 0 && (off == nullptr || CountsBefore(note, *off))) off = &note;
  }
  if (off == nullptr || resting == nullptr) return std::nullopt;
  const Measured& with = *resting->note->height_mm;
  const Measured& without = *off->note->height_mm;
  return Measured{with.value - without.value, std::hypot(with.expanded_u, without.expanded_u)};
}

}  // namespace

bool IsDay(const std::string& text) {
  if (text.size() != 10 || text[4] != '-' || text[7] != '-') return false;
  for (std::size_t i = 0; i < text.size(); ++i) {
    if (i != 4 && i != 7 && (text[i] < '0' || text[i] > '9')) return false;
  }
  const std::chrono::year_month_day day{
      std::chrono::year(std::stoi(text.substr(0, 4))),
      std::chrono::month(static_cast<unsigned>(std::stoi(text.substr(5, 2)))),
      std::chrono::day(static_cast<unsigned>(std::stoi(text.substr(8, 2))))};
  return day.ok();
}

VisitKind VisitKindOf(const std::string& visit_name) {
  std::string start = visit_name.substr(0, 8);
  std::transform(start.begin(), start.end(), start.begin(),
                 [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  if (start == "as found") return VisitKind::kAsFound;
  if (start.substr(0, 7) == "as left") return VisitKind::kAsLeft;
  return VisitKind::kOther;
}

const NoteMeasurement* Visit::Find(int midi) const {
  const auto found = std::find_if(measurement.notes.begin(), measurement.notes.end(),
                                  [&](const NoteMeasurement& note) { return note.midi == midi; });
  return found == measurement.notes.end() ? nullptr : &*found;
}

bool Visit::HeightIsFree(int midi) const {
  return std::any_of(sets.begin(), sets.end(), [&](const VisitSet& set) {
    if (set.damper == DamperState::kResting) return false;
    return std::any_of(
        set.measurement.notes.begin(), set.measurement.notes.end(),
        [&](const NoteMeasurement& note) { return note.midi == midi && note.height_mm; });
  });
}

VisitMeasurement MergeSets(const std::vector<VisitSet>& sets) {
  VisitMeasurement merged;
  std::map<int, std::vector<NoteOfSet>> by_midi;
  for (const VisitSet& set : sets) {
    merged.photos.insert(merged.photos.end(), set.measurement.photos.begin(),
                         set.measurement.photos.end());
    for (const NoteMeasurement& note : set.measurement.notes) {
      std::vector<NoteOfSet>& notes = by_midi[note.midi];
      if (set.follow_up && note.lateral_mm) {
        std::erase_if(notes, [&](const NoteOfSet& earlier) {
          return DamperRank(earlier.damper) == DamperRank(set.damper);
        });
      }
      notes.push_back({&note, set.damper});
    }
  }
  for (const auto& [midi, notes] : by_midi) {
    const auto best = std::min_element(notes.begin(), notes.end(), CountsBefore);
    merged.notes.push_back(*best->note);
    merged.notes.back().damper_lift_mm = DamperLift(notes);
  }
  return merged;
}

const Visit* ServiceRecord::FindVisit(const std::string& name) const {
  const auto found = std::find_if(visits.begin(), visits.end(),
                                  [&](const Visit& visit) { return visit.name == name; });
  return found == visits.end() ? nullptr : &*found;
}

const Visit* ServiceRecord::FindVisit(std::int64_t id) const {
  const auto found = std::find_if(visits.begin(), visits.end(),
                                  [&](const Visit& visit) { return visit.id == id; });
  return found == visits.end() ? nullptr : &*found;
}

const Visit* ServiceRecord::LatestOf(VisitKind kind) const {
  const auto found = std::find_if(visits.rbegin(), visits.rend(),
                                  [&](const Visit& visit) { return visit.kind == kind; });
  return found == visits.rend() ? nullptr : &*found;
}

const InstrumentProfile& ServiceRecord::Profile() const {
  static const InstrumentProfile kNone;
  const auto found = std::find_if(visits.rbegin(), visits.rend(),
                                  [](const Visit& visit) { return !visit.profile.notes.empty(); });
  return found == visits.rend() ? kNone : found->profile;
}

const Review* ServiceRecord::ReviewOf(std::int64_t visit_id, int midi) const {
  const auto found = std::find_if(reviews.rbegin(), reviews.rend(), [&](const Review& review) {
    return review.visit_id == visit_id && review.midi == midi;
  });
  return found == reviews.rend() || found->state == ReviewState::kNone ? nullptr : &*found;
}

const WorkTick* ServiceRecord::TickOf(std::int64_t visit_id, int midi, WorkTask task) const {
  const auto found = std::find_if(ticks.rbegin(), ticks.rend(), [&](const WorkTick& tick) {
    return tick.visit_id == visit_id && tick.midi == midi && tick.task == task;
  });
  return found == ticks.rend() ? nullptr : &*found;
}

}  // namespace tinesight
