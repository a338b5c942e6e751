#pragma once

#include <optional>
#include <string>
#include <vector>

#include "record/service_record.hpp"

namespace tinesight {

/// How one quantity of a note went from one visit to another.
enum class ChangeKind {
  kSame,      ///< no change beyond its U
  kImproved,  ///< changed beyond U, and nearer to its target or now in tolerance
  kWorse,     ///< changed beyond U, and farther from its target
};

struct QuantityChange {
  Quantity quantity = Quantity::kLateral;
  Measured before_mm;
  Measured after_mm;
  /// after − before; U is the root sum of squares of both (JCGM 100, 5.1.2, for independent
  /// measurements: two visits share the rig's scale alone, which cancels to first order).
  Measured change_mm;
  Verdict verdict_before = Verdict::kNotMeasured;
  Verdict verdict_after = Verdict::kNotMeasured;
  ChangeKind kind = ChangeKind::kSame;
  [[nodiscard]] bool Significant() const { return kind != ChangeKind::kSame; }
};

struct NoteComparison {
  int midi = 0;
  std::string name;
  std::vector<QuantityChange> changes;  ///< lateral, height, gap: those measured in both visits
  std::optional<Measured> yaw_change_deg;
  bool worked_on = false;         ///< work or a replaced part is recorded for it between the visits
  std::vector<std::string> work;  ///< what was done, one a line
  bool improved = false;          ///< some quantity improved, none got worse
  bool worse = false;
  bool moved_untouched = false;  ///< some quantity changed beyond U though nobody worked on it
  /// Out of tolerance after; or out before and not proven in tolerance after.
  bool open = false;
  std::string open_reason;
};

struct VisitComparison {
  std::string before;
  std::string after;
  std::string before_date;
  std::string after_date;
  std::vector<NoteComparison> notes;     ///< measured in both, ascending
  std::vector<std::string> only_before;  ///< names of notes measured in one of them alone
  std::vector<std::string> not_again;    ///< those of only_before that were out of tolerance
  std::vector<std::string> only_after;
  /// Damper lift in each visit that has photos of both states.
  struct Lift {
    std::string name;
    std::optional<Measured> before_mm;
    std::optional<Measured> after_mm;
  };
  std::vector<Lift> damper_lifts;
  std::vector<std::string> spring_warnings;
};

/// Quantities measured in both visits, each with its change; heights only where both were measured
/// without a resting damper, or both with one. Work counts as between the visits by its date.
/// Precondition: both visits are of `record`.
[[nodiscard]] VisitComparison CompareVisits(const ServiceRecord& record, const Visit& before,
                                            const Visit& after);

/// As read at the bench (at most 100 columns), and as JSON.
[[nodiscard]] std::string ComparisonText(const VisitComparison& comparison,
                                         bool ascii_only = false);
[[nodiscard]] std::string ComparisonJson(const VisitComparison& comparison);

}  // namespace tinesight
