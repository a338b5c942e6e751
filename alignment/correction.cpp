#include "alignment/correction.hpp"

#include <algorithm>
#include <cassert>
#include <cmath>

#include "calibration/angle.hpp"
#include "calibration/formatted.hpp"

namespace tinesight {
namespace {

constexpr double kLeastShareOfOffset = 1.0 / 3.0;
// A bar is called low or high as a whole where its root is off by this share of the height's
// deviation.
constexpr double kWholeBarShare = 0.7;

std::string Mm(double value) { return Formatted("%.2f mm", std::abs(value)); }
std::string Deg(double value_rad) { return Formatted("%.2f°", std::abs(value_rad * kDegPerRad)); }
std::string Turns(double turns) {
  return Formatted("%.2f turn", std::abs(turns)) + Formatted(" (%.0f°)", 360.0 * std::abs(turns));
}
const char* Side(double toward_treble) {
  return toward_treble > 0.0 ? "toward treble" : "toward bass";
}
const char* Vertical(double up) { return up > 0.0 ? "up" : "down"; }

// From the root to the pickup face along z; the profile's where the geometry can't be.
double DepthMm(const NoteMeasurement& note, const NoteProfile& target) {
  const double measured = note.pickup_harp_mm.z() - note.root_harp_mm.z();
  return measured > 0.0 ? measured : target.tine_length_mm + target.gap_mm;
}

double PickupFromRootMm(const NoteMeasurement& note) {
  return note.pickup_harp_mm.x() - note.root_harp_mm.x();
}

double TurnRad(const NoteMeasurement& note, const NoteProfile& target, double lateral_mm) {
  return CorrectionAtMountRad(lateral_mm, DepthMm(note, target), PickupFromRootMm(note));
}

std::string TurnWords(const std::string& what, double turn_rad) {
  return what + ' ' + Deg(turn_rad) + ' ' + Side(turn_rad);
}

CorrectionStep CrookStep(const NoteMeasurement& note, double turn_rad) {
  const double bend_rad = (note.yaw_deg->value - note.tone_bar_yaw_deg->value) / kDegPerRad;
  CorrectionStep step;
  step.task = WorkTask::kTurnTine;
  step.cause = "the tine is crooked in its block, " + Deg(bend_rad) + ' ' + Side(bend_rad) +
               " of its tone bar";
  step.action = TurnWords("turn the tine in its block", turn_rad);
  return step;
}

CorrectionStep ToneBarStep(const NoteMeasurement& note, double turn_rad) {
  const Measured& yaw = *note.tone_bar_yaw_deg;
  const double lateral_mm = note.lateral_mm->value;
  CorrectionStep step;
  step.task = WorkTask::kSquareBar;
  if (std::abs(yaw.value) > yaw.expanded_u) {
    step.cause = "the tone bar is skewed on its grommets, " + Deg(yaw.value / kDegPerRad) + ' ' +
                 Side(yaw.value);
    step.action = TurnWords("square the tone bar, turn it", turn_rad);
  } else {
    step.cause = std::string("the tone bar sits ") + Side(lateral_mm) + " with its tine";
    step.action = std::string("shift or turn it ") + Side(-lateral_mm);
  }
  return step;
}

std::vector<CorrectionStep> PickupSteps(const NoteMeasurement& note, const NoteProfile& target,
                                        double pickup_mm) {
  const Measured& lateral = *note.lateral_mm;
  CorrectionStep slide;
  slide.task = WorkTask::kSlidePickup;
  slide.cause =
      "the pickup is out of line, " + Mm(pickup_mm) + ' ' + Side(-pickup_mm) + " of its row";
  slide.action = "slide the pickup " + Mm(pickup_mm) + ' ' + Side(pickup_mm);
  slide.amount_mm = {std::abs(pickup_mm), lateral.expanded_u};
  const double left_mm = lateral.value - pickup_mm;
  if (!(std::abs(left_mm) > target.tolerance_lateral_mm)) return {slide};
  // The pickup will stand nearer to the tine by its share: the turn starts from there.
  const double left_rad =
      CorrectionAtMountRad(left_mm, DepthMm(note, target), PickupFromRootMm(note) + pickup_mm);
  CorrectionStep turn;
  turn.task = WorkTask::kTurnEither;
  turn.action = TurnWords("turn the tine", left_rad);
  turn.amount_mm = {std::abs(left_mm), lateral.expanded_u};
  turn.at_pickup = true;
  return {slide, turn};
}

std::vector<CorrectionStep> LateralSteps(const NoteMeasurement& note, const NoteProfile& target,
                                         const LateralShares& shares) {
  if (shares.cause == LateralCause::kPickup) return PickupSteps(note, target, shares.pickup_mm);
  const double turn_rad = TurnRad(note, target, note.lateral_mm->value);
  CorrectionStep step;
  if (shares.cause == LateralCause::kCrookedInBlock) {
    step = CrookStep(note, turn_rad);
  } else if (shares.cause == LateralCause::kToneBar) {
    step = ToneBarStep(note, turn_rad);
  } else {
    step.action = TurnWords("turn the tine", turn_rad);
    step.remark = "in its block or with its tone bar: look which of the two is crooked";
  }
  step.amount_mm = {std::abs(note.lateral_mm->value), note.lateral_mm->expanded_u};
  step.at_pickup = true;
  return {step};
}

// Whether the root is off as the tine's end is: then the bar sits low or high as a whole.
bool WholeBarIsOff(const NoteMeasurement& note, const NoteProfile& target, double deviation_mm) {
  if (!note.pitch_deg) return false;
  const double u_root_mm =
      DepthMm(note, target) * std::tan(note.pitch_deg->expanded_u / kDegPerRad);
  const double root_mm = note.root_harp_mm.y() - target.height_mm;
  return u_root_mm < 0.5 * std::abs(deviation_mm) && root_mm / deviation_mm >= kWholeBarShare;
}

CorrectionStep HeightStep(const NoteMeasurement& note, const NoteProfile& target,
                          const InstrumentProfile& instrument) {
  const double deviation_mm = note.height_mm->value - target.height_mm;
  const double raise_mm = -deviation_mm;
  CorrectionStep step;
  step.quantity = Quantity::kHeight;
  step.amount_mm = {std::abs(deviation_mm), note.height_mm->expanded_u};
  step.cause = std::string("the tine is ") + Mm(deviation_mm) + " too " +
               (deviation_mm > 0.0 ? "high" : "low");
  // The springs hold the bar up against the screws' heads: out lets it rise (common practice, no
  // source). What must come of it is said too.
  const char* sense = raise_mm > 0.0 ? " out" : " in";
  if (WholeBarIsOff(note, target, deviation_mm)) {
    step.task = WorkTask::kBothScrews;
    step.cause += ", its whole tone bar is";
    step.action = "look at the grommets, then both screws " +
                  Turns(raise_mm / instrument.screw_pitch_mm) + sense + ", to bring the bar " +
                  Mm(raise_mm) + ' ' + Vertical(raise_mm);
    return step;
  }
  const double turns =
      ForwardScrewTurns(raise_mm, DepthMm(note, target), target, instrument.screw_pitch_mm);
  step.task = WorkTask::kForwardScrew;
  step.action = "forward screw " + Turns(turns) + sense + ", to bring that end of the tone bar " +
                Mm(turns * instrument.screw_pitch_mm) + ' ' + Vertical(raise_mm);
  return step;
}

CorrectionStep GapStep(const NoteMeasurement& note, const NoteProfile& target) {
  const double deviation_mm = note.gap_mm->value - target.gap_mm;
  const bool wide = deviation_mm > 0.0;
  CorrectionStep step;
  step.task = WorkTask::kGap;
  step.quantity = Quantity::kGap;
  step.amount_mm = {std::abs(deviation_mm), note.gap_mm->expanded_u};
  step.cause = "the gap is " + Mm(deviation_mm) + " too " + (wide ? "wide" : "narrow");
  step.action = "slide the pickup " + Mm(deviation_mm) + (wide ? " in" : " out");
  return step;
}

// Takes the share as the cause if it is the greatest so far that may be one.
void Consider(LateralCause cause, double share_mm, double u_mm, double lateral_mm, double& greatest,
              LateralShares& shares) {
  const double part = share_mm / lateral_mm;
  if (!(std::abs(share_mm) > u_mm && part >= kLeastShareOfOffset && part > greatest)) return;
  greatest = part;
  shares.cause = cause;
}

}  // namespace

double CorrectionAtMountRad(double lateral_mm, double depth_mm, double pickup_from_root_mm) {
  assert(depth_mm > 0.0);
  return std::atan2(pickup_from_root_mm, depth_mm) -
         std::atan2(pickup_from_root_mm + lateral_mm, depth_mm);
}

double ForwardScrewRatio(double depth_mm, const NoteProfile& target) {
  return (target.root_ahead_of_rear_screw_mm + depth_mm) / target.screw_spacing_mm;
}

double ForwardScrewTurns(double raise_mm, double depth_mm, const NoteProfile& target,
                         double screw_pitch_mm) {
  return raise_mm / ForwardScrewRatio(depth_mm, target) / screw_pitch_mm;
}

LateralShares SplitLateral(const NoteMeasurement& note, const NoteProfile& target,
                           const InstrumentProfile& instrument,
                           std::optional<double> pickup_deviation_mm) {
  const Measured& lateral = *note.lateral_mm;
  const double row_x_mm = (note.midi - instrument.FirstMidi()) * instrument.note_spacing_mm;
  const double out_of_row_mm = pickup_deviation_mm.value_or(note.pickup_harp_mm.x() - row_x_mm);
  LateralShares shares;
  double greatest = 0.0;
  if (std::abs(out_of_row_mm) > std::max(target.tolerance_lateral_mm, lateral.expanded_u)) {
    shares.pickup_mm = -out_of_row_mm;
    Consider(LateralCause::kPickup, shares.pickup_mm, lateral.expanded_u, lateral.value, greatest,
             shares);
  }
  if (note.yaw_deg && note.tone_bar_yaw_deg) {
    const double depth_mm = DepthMm(note, target);
    const double yaw_rad = note.yaw_deg->value / kDegPerRad;
    const double bar_rad = note.tone_bar_yaw_deg->value / kDegPerRad;
    const double u_bend_rad =
        std::hypot(note.yaw_deg->expanded_u, note.tone_bar_yaw_deg->expanded_u) / kDegPerRad;
    shares.crook_mm = depth_mm * (std::tan(yaw_rad) - std::tan(bar_rad));
    shares.tone_bar_mm = lateral.value - shares.pickup_mm - shares.crook_mm;
    Consider(LateralCause::kCrookedInBlock, shares.crook_mm, depth_mm * u_bend_rad, lateral.value,
             greatest, shares);
    // The rest inherits the uncertainty of both that were taken off.
    Consider(LateralCause::kToneBar, shares.tone_bar_mm,
             std::hypot(lateral.expanded_u, depth_mm * u_bend_rad), lateral.value, greatest,
             shares);
  } else {
    shares.tone_bar_mm = lateral.value - shares.pickup_mm;
  }
  return shares;
}

std::vector<CorrectionStep> CorrectionSteps(const NoteMeasurement& note, const NoteProfile& target,
                                            const InstrumentProfile& instrument,
                                            std::optional<double> pickup_deviation_mm) {
  std::vector<CorrectionStep> steps;
  if (note.lateral_mm && note.lateral_verdict == Verdict::kOutOfTolerance) {
    steps = LateralSteps(note, target, SplitLateral(note, target, instrument, pickup_deviation_mm));
  }
  if (note.height_mm && note.height_verdict == Verdict::kOutOfTolerance) {
    steps.push_back(HeightStep(note, target, instrument));
  }
  if (note.gap_mm && note.gap_verdict == Verdict::kOutOfTolerance) {
    steps.push_back(GapStep(note, target));
  }
  return steps;
}

std::string StepText(const CorrectionStep& step, bool with_u) {
  std::string amount = step.at_pickup ? Mm(step.amount_mm.value) + " at the pickup" : "";
  if (with_u) {
    if (!amount.empty()) amount += ", ";
    amount += Formatted("U %.2f", step.amount_mm.expanded_u);
    // The screw's own way is shorter than the tine's, by the lever.
    if (step.quantity == Quantity::kHeight) amount += " at the pickup";
  }
  std::string text = step.action;
  if (!amount.empty()) text += " (" + amount + ")";
  if (!step.remark.empty()) text += ", " + step.remark;
  return text;
}

void FillAdvice(NoteMeasurement& note, const NoteProfile& target,
                const InstrumentProfile& instrument, std::optional<double> pickup_deviation_mm) {
  note.correction_deg.reset();
  if (note.lateral_mm) {
    note.correction_deg = TurnRad(note, target, note.lateral_mm->value) * kDegPerRad;
  }
  note.advice.clear();
  for (const CorrectionStep& step :
       CorrectionSteps(note, target, instrument, pickup_deviation_mm)) {
    if (!note.advice.empty()) note.advice += step.cause.empty() ? ", then " : "; ";
    if (!step.cause.empty()) note.advice += step.cause + ": ";
    note.advice += StepText(step, false);
  }
}

}  // namespace tinesight
