#pragma once

#include <functional>
#include <optional>
#include <set>
#include <string>
#include <utility>
#include <vector>

#include "alignment/correction.hpp"
#include "record/service_record.hpp"

namespace tinesight {

enum class WorkState {
  kOpen,       ///< to do
  kDone,       ///< ticked off, no later photo has proven it
  kConfirmed,  ///< a later visit measures the quantity in tolerance
  kReopened,   ///< a later visit still measures it out of tolerance, or the technician reopened it
  kUnsettled,  ///< a later visit could not decide
};

struct WorkItem {
  int midi = 0;
  std::string name;  ///< "F#1"
  CorrectionStep step;
  /// What the note costs the sound, worst of its quantities; see WorkListOptions.
  double cost = 0.0;
  double tine_length_mm = 0.0;
  WorkState state = WorkState::kOpen;
  std::string state_reason;  ///< "as left 2024-05-02 measures 0.08 mm, centered"; may be empty
};

struct WorkList {
  std::string visit;  ///< the visit whose photos ask for the work
  std::string date;
  std::vector<WorkItem> items;  ///< by task, then by cost, then longer tines first
  /// Notes whose figures can't decide yet, with the reason: measure again, turn nothing.
  std::vector<std::pair<std::string, std::string>> undecided;
  /// Those of them that the ear will notice though there is no work at them: to be measured first.
  std::vector<std::string> undecided_but_heard;
  /// How far a resting damper lifts the tine, of the notes that have photos of both states.
  std::vector<std::pair<std::string, Measured>> damper_lifts_mm;
  /// What the photos alone make one suspect; see NoteMeasurement::suspicions.
  std::vector<std::pair<std::string, std::string>> suspicions;
  std::vector<std::string> spring_warnings;
  [[nodiscard]] std::size_t Count(WorkState state) const;
};

struct WorkListOptions {
  /// What a note costs the sound, the greater the sooner it is mended. Not set: the largest excess
  /// over tolerance in units of the tolerance.
  std::function<double(const NoteMeasurement&, const NoteProfile&)> cost;
  /// MIDI numbers of the notes that are sure to be heard.
  std::set<int> heard = {};
};

/// The order by what is predicted to be heard: NoteEvenness::cost. A note whose tone can't be
/// predicted (a figure is missing) counts as just heard. `heard`: those with ToneHeard::kYes.
[[nodiscard]] WorkListOptions ToneOrder(const Visit& visit);

/// What a visit's photos ask to be done, as it stands with the ticks and the visits after it. A
/// later visit speaks for a quantity of a note where it judged it; the newest such visit counts.
/// Notes whose figures the technician rejected in review are left out; those that need another
/// photo are undecided.
/// Precondition: `visit` is one of `record`.
[[nodiscard]] WorkList BuildWorkList(const ServiceRecord& record, const Visit& visit,
                                     const WorkListOptions& options = {});

/// "Turn the tine in its block", the heading of a task's group.
[[nodiscard]] std::string TaskHeading(WorkTask task);
/// "turn-tine": as the command line and the JSON spell it.
[[nodiscard]] std::string TaskWord(WorkTask task);
[[nodiscard]] std::optional<WorkTask> TaskFromWord(const std::string& word);
[[nodiscard]] std::string WorkStateWord(WorkState state);

/// The list as read at the bench (at most 100 columns), and as JSON.
[[nodiscard]] std::string WorkListText(const WorkList& list, bool ascii_only = false);
[[nodiscard]] std::string WorkListJson(const WorkList& list);

}  // namespace tinesight
