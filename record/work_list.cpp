#include "record/work_list.hpp"

#include <algorithm>
#include <cmath>
#include <map>
#include <utility>

#include "alignment/harp_frame.hpp"
#include "alignment/tone_evenness.hpp"
#include "record/quantity_view.hpp"
#include "record/record_words.hpp"

namespace tinesight {
namespace {

// The largest excess over tolerance, in tolerances.
double LargestExcess(const NoteMeasurement& note, const NoteProfile& profile) {
  double largest = 0.0;
  for (const QuantityView& view : kQuantities) {
    const std::optional<Measured>& measured = note.*view.measured;
    if (!measured || note.*view.verdict != Verdict::kOutOfTolerance) continue;
    const double tolerance_mm = profile.*view.tolerance_mm;
    const double deviation_mm = std::abs(measured->value - view.TargetMm(profile));
    largest = std::max(largest, (deviation_mm - tolerance_mm) / tolerance_mm);
  }
  return largest;
}

// How far each pickup stands out of the fitted row, toward treble, by MIDI number.
std::map<int, double> PickupDeviations(const VisitMeasurement& visit,
                                       const InstrumentProfile& profile) {
  std::vector<MeasuredPickup> pickups;
  for (const NoteMeasurement& note : visit.notes) {
    if (note.lateral_mm && !note.root_harp_mm.isZero()) {
      pickups.push_back({note.midi, note.pickup_harp_mm});
    }
  }
  HarpFrameOptions options;
  options.note_spacing_mm = profile.note_spacing_mm;
  options.origin_midi = profile.FirstMidi();
  options.pickup_scatter_mm = profile.prior_u.pickup_position_mm;
  std::map<int, double> deviations;
  if (const auto frame = FitHarpFrame(pickups, {}, options)) {
    for (const PickupDeviation& d : frame->pickups) deviations[d.midi] = d.deviation_harp_mm.x();
  }
  return deviations;
}

/// What the visits after `visit` say of a quantity: the newest that judged it or, if none did, the
/// newest that was uncertain.
struct LaterWord {
  const Visit* visit = nullptr;
  const NoteMeasurement* note = nullptr;
  Verdict verdict = Verdict::kNotMeasured;
};

LaterWord WordAfter(const ServiceRecord& record, const Visit& visit, int midi,
                    const QuantityView& view) {
  LaterWord word;
  for (std::size_t i = record.visits.size(); i-- > 0;) {
    const Visit& later = record.visits[i];
    if (later.id == visit.id) break;
    const NoteMeasurement* note = later.Find(midi);
    if (note == nullptr) continue;
    const Verdict verdict = note->*view.verdict;
    if (verdict == Verdict::kInTolerance || verdict == Verdict::kOutOfTolerance) {
      return {&later, note, verdict};
    }
    if (verdict == Verdict::kUncertain && word.visit == nullptr) word = {&later, note, verdict};
  }
  return word;
}

void FillState(const ServiceRecord& record, const Visit& visit, WorkItem& item) {
  const QuantityView& view = ViewOf(item.step.quantity);
  const WorkTick* tick = record.TickOf(visit.id, item.midi, item.step.task);
  const LaterWord word = WordAfter(record, visit, item.midi, view);
  const bool ticked = tick != nullptr && tick->done;
  const bool tick_is_newer = tick != nullptr && word.visit != nullptr &&
                             tick->stamp.recorded_utc > word.visit->recorded_utc;
  if (ticked) item.state = WorkState::kDone;
  if (tick != nullptr && !tick->done) item.state = WorkState::kReopened;
  if (tick != nullptr) {
    item.state_reason = std::string(ticked ? "ticked off " : "reopened ") + tick->stamp.date;
    if (!tick->stamp.technician.empty()) item.state_reason += " by " + tick->stamp.technician;
  }
  if (word.visit == nullptr) return;
  // A tick after those photos was made knowing better, unless they prove the work anyway.
  if (tick_is_newer && !(ticked && word.verdict == Verdict::kInTolerance)) return;
  const std::string said = "\"" + word.visit->name + "\": " + JudgedText(view, *word.note);
  if (word.verdict == Verdict::kInTolerance) {
    item.state = WorkState::kConfirmed;
    item.state_reason = "confirmed by " + said;
  } else if (word.verdict == Verdict::kOutOfTolerance) {
    item.state = ticked ? WorkState::kReopened : item.state;
    item.state_reason = (ticked ? "reopened by " : "still so in ") + said;
  } else {
    item.state = ticked ? WorkState::kUnsettled : item.state;
    item.state_reason = "not settled by " + said;
  }
}

// Where figures alone can't tell what is crooked, what the photos make one suspect leads the eye.
void AddSuspectedCause(const NoteMeasurement& note, CorrectionStep& step) {
  if (step.task != WorkTask::kTurnEither || !step.cause.empty()) return;
  for (const Suspicion& suspicion : note.suspicions) {
    if (suspicion.kind == SuspicionKind::kCrookedInBlock ||
        suspicion.kind == SuspicionKind::kToneBarSkewed) {
      step.cause = "perhaps " + suspicion.text;
      return;
    }
  }
}

void AddItems(const ServiceRecord& record, const Visit& visit, const NoteMeasurement& note,
              const std::map<int, double>& pickup_deviations, const WorkListOptions& options,
              WorkList& list) {
  const InstrumentProfile& profile = record.ProfileOf(visit);
  const NoteProfile* target = profile.Find(note.midi);
  if (target == nullptr) return;
  const auto deviation = pickup_deviations.find(note.midi);
  const auto deviation_mm = deviation == pickup_deviations.end()
                                ? std::nullopt
                                : std::optional<double>(deviation->second);
  for (CorrectionStep& step : CorrectionSteps(note, *target, profile, deviation_mm)) {
    WorkItem item;
    item.midi = note.midi;
    item.name = note.name;
    AddSuspectedCause(note, step);
    item.step = std::move(step);
    item.cost = options.cost ? options.cost(note, *target) : LargestExcess(note, *target);
    item.tine_length_mm = target->tine_length_mm;
    FillState(record, visit, item);
    list.items.push_back(std::move(item));
  }
}

bool ComesBefore(const WorkItem& a, const WorkItem& b) {
  if (a.step.task != b.step.task) return a.step.task < b.step.task;
  if (a.cost != b.cost) return a.cost > b.cost;
  if (a.tine_length_mm != b.tine_length_mm) return a.tine_length_mm > b.tine_length_mm;
  return a.midi < b.midi;
}

}  // namespace

std::size_t WorkList::Count(WorkState state) const {
  return static_cast<std::size_t>(std::count_if(
      items.begin(), items.end(), [&](const WorkItem& item) { return item.state == state; }));
}

WorkListOptions ToneOrder(const Visit& visit) {
  constexpr double kJustHeard = 1.0;
  std::map<int, double> costs;
  WorkListOptions options;
  for (const NoteEvenness& note : Evenness(visit.measurement, visit.profile).notes) {
    costs[note.midi] = note.cost;
    if (note.heard == ToneHeard::kYes) options.heard.insert(note.midi);
  }
  options.cost = [costs = std::move(costs)](const NoteMeasurement& note, const NoteProfile&) {
    const auto found = costs.find(note.midi);
    return found == costs.end() ? kJustHeard : found->second;
  };
  return options;
}

WorkList BuildWorkList(const ServiceRecord& record, const Visit& visit,
                       const WorkListOptions& options) {
  WorkList list;
  list.visit = visit.name;
  list.date = visit.date;
  list.spring_warnings = SpringWarnings(record);
  const InstrumentProfile& profile = record.ProfileOf(visit);
  if (profile.notes.empty()) {
    list.undecided.emplace_back("all notes",
                                "this record, made by an older version, holds no instrument "
                                "profile; its next visit brings it");
    return list;
  }
  const std::map<int, double> deviations = PickupDeviations(visit.measurement, profile);
  for (const NoteMeasurement& note : visit.measurement.notes) {
    if (note.damper_lift_mm) list.damper_lifts_mm.emplace_back(note.name, *note.damper_lift_mm);
    for (const Suspicion& suspicion : note.suspicions) {
      list.suspicions.emplace_back(note.name, suspicion.text);
    }
    const Review* review = record.ReviewOf(visit.id, note.midi);
    if (review != nullptr && review->state == ReviewState::kRejected) continue;
    if (review != nullptr && review->state == ReviewState::kNeedsPhoto) {
      list.undecided.emplace_back(note.name, "needs another photo, says the review");
      continue;
    }
    const std::size_t items_before = list.items.size();
    AddItems(record, visit, note, deviations, options, list);
    const bool has_work = list.items.size() > items_before;
    if (note.lateral_verdict == Verdict::kUncertain || note.height_verdict == Verdict::kUncertain) {
      list.undecided.emplace_back(note.name, note.reason);
      if (!has_work && options.heard.count(note.midi) > 0)
        list.undecided_but_heard.push_back(note.name);
    }
  }
  std::sort(list.items.begin(), list.items.end(), ComesBefore);
  return list;
}

std::string TaskHeading(WorkTask task) {
  switch (task) {
    case WorkTask::kSlidePickup:
      return "Slide the pickup sideways";
    case WorkTask::kSquareBar:
      return "Square the tone bar";
    case WorkTask::kTurnTine:
      return "Turn the tine in its block";
    case WorkTask::kTurnEither:
      return "Turn the tine, in its block or with its tone bar: look which of the two is crooked";
    case WorkTask::kBothScrews:
      return "Both screws: the whole tone bar is high or low";
    case WorkTask::kForwardScrew:
      return "Forward screw: height";
    case WorkTask::kGap:
      break;
  }
  return "Slide the pickup in or out: gap";
}

std::string TaskWord(WorkTask task) { return std::string(WordOf(kTaskWords, task)); }

std::optional<WorkTask> TaskFromWord(const std::string& word) {
  for (const auto& [task, own] : kTaskWords) {
    if (own == word) return task;
  }
  return std::nullopt;
}

std::string WorkStateWord(WorkState state) {
  switch (state) {
    case WorkState::kOpen:
      return "to do";
    case WorkState::kDone:
      return "done";
    case WorkState::kConfirmed:
      return "confirmed";
    case WorkState::kReopened:
      return "reopened";
    case WorkState::kUnsettled:
      break;
  }
  return "not settled";
}

}  // namespace tinesight
