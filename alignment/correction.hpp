#pragma once

#include <optional>
#include <string>
#include <vector>

#include "alignment/measurement.hpp"
#include "alignment/profile.hpp"

namespace tinesight {

/// From a measured note to what the technician turns, which way and how far. All signs are those
/// of the harp frame: + is toward treble, up as played, and away from the mounts.

/// The turn about the root, rad, + from bass toward treble, that brings a lateral offset to zero.
/// `depth_mm` is the distance along z from the root to the pickup face (tine length + gap), and
/// `pickup_from_root_mm` how far the pickup's center lies toward treble of the root:
///
///   turn = atan2(pickup_from_root, depth) − atan2(pickup_from_root + lateral, depth),
///
/// which is −atan2(lateral, depth) for a root straight in front of its pickup.
/// Precondition: depth > 0.
[[nodiscard]] double CorrectionAtMountRad(double lateral_mm, double depth_mm,
                                          double pickup_from_root_mm = 0.0);

/// How far the tine's end, prolonged to the pickup, rises for each mm that the forward screw's end
/// of the tone bar rises. The bar turns about its rear screw, as a lever does:
///
///            rear screw      forward screw              tine's end   pickup face
///      ──────────┼─────────────────┼─────────────────────────┼───────────┤
///                |← screw spacing →|
///                |← root ahead of the rear screw, then depth ───────────→|
///
///   ratio = (root_ahead_of_rear_screw + depth) / screw_spacing.
///
/// The turn is small (1 mm on 30 mm is 2°), so its cosine is left out: less than 0.1 %.
[[nodiscard]] double ForwardScrewRatio(double depth_mm, const NoteProfile& target);

/// Turns of the forward screw that raise the tine at the pickup by `raise_mm`: + raises that end
/// of the bar. One turn is one pitch of the thread, mm: 0.79375 for #8-32 (25.4 mm / 32; ASME
/// B1.1), 0.7 for M4 (ISO 261).
[[nodiscard]] double ForwardScrewTurns(double raise_mm, double depth_mm, const NoteProfile& target,
                                       double screw_pitch_mm);

/// What puts a tine beside its pickup.
enum class LateralCause {
  kUnclear,         ///< nothing stands out from its uncertainty
  kCrookedInBlock,  ///< the tine leaves its block at an angle to its tone bar
  kToneBar,         ///< the tone bar is skewed or sits to one side; the tine follows it
  kPickup,          ///< the pickup is out of line with its neighbours
};

/// The lateral offset split into its causes at the pickup, mm. The three add up to the offset.
///
///   crook    = depth · (tan yaw − tan tone bar yaw)
///   pickup   = −(how far the pickup stands out of the row), where that is more than the lateral
///              tolerance and the lateral U; else 0, the usual scatter of a row
///   tone_bar = the rest: skew of the bar over the depth, and its shift at the root
struct LateralShares {
  double crook_mm = 0.0;
  double tone_bar_mm = 0.0;
  double pickup_mm = 0.0;
  /// The greatest share that pushes to the side of the offset, makes up at least a third of it,
  /// and is beyond its own U; without a measured yaw of both only the pickup can be named.
  LateralCause cause = LateralCause::kUnclear;
};

/// Precondition: note.lateral_mm is present. `pickup_deviation_mm` is the pickup's place toward
/// treble of the row (PickupDeviation of the harp frame); absent: against the profile's even
/// spacing from the first note, where the harp frame has its origin.
[[nodiscard]] LateralShares SplitLateral(const NoteMeasurement& note, const NoteProfile& target,
                                         const InstrumentProfile& instrument,
                                         std::optional<double> pickup_deviation_mm = std::nullopt);

/// What is in the hand, in the order in which a work list groups it.
enum class WorkTask {
  kSlidePickup,   ///< slide the pickup sideways
  kSquareBar,     ///< square or shift the tone bar
  kTurnTine,      ///< turn the tine in its block
  kTurnEither,    ///< lateral, but the cause can't be told: tine or tone bar
  kBothScrews,    ///< height, the whole bar: grommets, then both screws
  kForwardScrew,  ///< height, by the forward screw
  kGap,           ///< slide the pickup in or out
};

/// One thing to do at one note.
struct CorrectionStep {
  WorkTask task = WorkTask::kTurnEither;
  Quantity quantity = Quantity::kLateral;
  std::string cause;   ///< "the tine is crooked in its block, 0.60° toward treble of its tone bar"
  std::string action;  ///< "turn the tine in its block 0.62° toward bass"
  /// What it moves, with U of the quantity; `at_pickup`: seen at the pickup, not where the hand is.
  Measured amount_mm;
  bool at_pickup = false;
  std::string remark;  ///< what to look at while doing it; may be empty
};

/// What to do at a note: for each quantity whose verdict is out of tolerance the cause and the
/// steps, in the order to do them. Nothing is advised on an uncertain quantity: turning a screw on
/// a guess makes two faults of none.
[[nodiscard]] std::vector<CorrectionStep> CorrectionSteps(
    const NoteMeasurement& note, const NoteProfile& target, const InstrumentProfile& instrument,
    std::optional<double> pickup_deviation_mm = std::nullopt);

/// "turn the tine in its block 0.62° toward bass (1.70 mm at the pickup)"; `with_u` adds ", U
/// 0.06".
[[nodiscard]] std::string StepText(const CorrectionStep& step, bool with_u);

/// Fills `correction_deg` (where the lateral offset was measured) and `advice`: cause and steps of
/// CorrectionSteps in the technician's words. Reads the verdicts and the geometry; changes nothing
/// else.
void FillAdvice(NoteMeasurement& note, const NoteProfile& target,
                const InstrumentProfile& instrument,
                std::optional<double> pickup_deviation_mm = std::nullopt);

}  // namespace tinesight
