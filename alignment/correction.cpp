#include "alignment/correction.hpp"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <cstdio>
#include <numbers>

namespace tinesight {
namespace {

constexpr double kDegPerRad = 180.0 / std::numbers::pi;
constexpr double kLeastShareOfOffset = 1.0 / 3.0;
// A bar is called low or high as a whole where its root is off by this share of the height's
// deviation.
constexpr double kWholeBarShare = 0.7;

std::string Format(const char* format, double value) {
  char text[64];
  std::snprintf(text, sizeof text, format, value);
  return text;
}
std::string Mm(double value) { return Format("%.2f mm", std::abs(value)); }
std::string Deg(double value_rad) { return Format("%.2f°", std::abs(value_rad * kDegPerRad)); }
std::string Turns(double turns) {
  return Format("%.2f turn", std::abs(turns)) + Format(" (%.0f°)", 360.0 * std::abs(turns));
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

// "turn the tine in its block 0.42° toward bass (0.80 mm at the pickup)"
std::string TurnText(const char* what, double turn_rad, double lateral_mm) {
  return std::string(what) + ' ' + Deg(turn_rad) + ' ' + Side(turn_rad) + " (" + Mm(lateral_mm) +
         " at the pickup)";
}

std::string CrookText(const NoteMeasurement& note, double turn_rad, double lateral_mm) {
  const double bend_rad = (note.yaw_deg->value - note.tone_bar_yaw_deg->value) / kDegPerRad;
  return "the tine is crooked in its block, " + Deg(bend_rad) + ' ' + Side(bend_rad) +
         " of its tone bar: " + TurnText("turn the tine in its block", turn_rad, lateral_mm);
}

std::string ToneBarText(const NoteMeasurement& note, double turn_rad, double lateral_mm) {
  const Measured& yaw = *note.tone_bar_yaw_deg;
  if (std::abs(yaw.value) > yaw.expanded_u) {
    return "the tone bar is skewed on its grommets, " + Deg(yaw.value / kDegPerRad) + ' ' +
           Side(yaw.value) + ": " + TurnText("square the tone bar, turn it", turn_rad, lateral_mm);
  }
  return std::string("the tone bar sits ") + Side(lateral_mm) +
         " with its tine: shift or turn it " + Side(-lateral_mm) + ", " + Mm(lateral_mm) +
         " at the pickup";
}

std::string LateralAdvice(const NoteMeasurement& note, const NoteProfile& target,
                          const LateralShares& shares) {
  const double lateral_mm = note.lateral_mm->value;
  const double turn_rad = TurnRad(note, target, lateral_mm);
  switch (shares.cause) {
    case LateralCause::kCrookedInBlock:
      return CrookText(note, turn_rad, lateral_mm);
    case LateralCause::kToneBar:
      return ToneBarText(note, turn_rad, lateral_mm);
    case LateralCause::kPickup: {
      std::string text = "the pickup is out of line, " + Mm(shares.pickup_mm) + ' ' +
                         Side(-shares.pickup_mm) + " of its row: slide the pickup " +
                         Mm(shares.pickup_mm) + ' ' + Side(shares.pickup_mm);
      const double left_mm = lateral_mm - shares.pickup_mm;
      if (std::abs(left_mm) > target.tolerance_lateral_mm) {
        // The pickup will stand nearer to the tine by its share: the turn starts from there.
        const double left_rad = CorrectionAtMountRad(left_mm, DepthMm(note, target),
                                                     PickupFromRootMm(note) + shares.pickup_mm);
        text += ", then " + TurnText("turn the tine", left_rad, left_mm);
      }
      return text;
    }
    case LateralCause::kUnclear:
      break;
  }
  return TurnText("turn the tine", turn_rad, lateral_mm) +
         ", in its block or with its tone bar: look which of the two is crooked";
}

// Whether the root is off as the tine's end is: then the bar sits low or high as a whole.
bool WholeBarIsOff(const NoteMeasurement& note, const NoteProfile& target, double deviation_mm) {
  if (!note.pitch_deg) return false;
  const double u_root_mm =
      DepthMm(note, target) * std::tan(note.pitch_deg->expanded_u / kDegPerRad);
  const double root_mm = note.root_harp_mm.y() - target.height_mm;
  return u_root_mm < 0.5 * std::abs(deviation_mm) && root_mm / deviation_mm >= kWholeBarShare;
}

std::string HeightAdvice(const NoteMeasurement& note, const NoteProfile& target,
                         const InstrumentProfile& instrument) {
  const double deviation_mm = note.height_mm->value - target.height_mm;
  const double raise_mm = -deviation_mm;
  std::string text = std::string("the tine is ") + Mm(deviation_mm) + " too " +
                     (deviation_mm > 0.0 ? "high" : "low") + ": ";
  if (WholeBarIsOff(note, target, deviation_mm)) {
    return text + "its whole tone bar is, look at the grommets, then both screws " +
           Turns(raise_mm / instrument.screw_pitch_mm) + ' ' + Vertical(raise_mm);
  }
  const double depth_mm = DepthMm(note, target);
  const double turns = ForwardScrewTurns(raise_mm, depth_mm, instrument);
  return text + "forward screw " + Turns(turns) + ", to bring that end of the tone bar " +
         Mm(turns * instrument.screw_pitch_mm) + ' ' + Vertical(raise_mm);
}

std::string GapAdvice(const NoteMeasurement& note, const NoteProfile& target) {
  const double deviation_mm = note.gap_mm->value - target.gap_mm;
  const bool wide = deviation_mm > 0.0;
  return "the gap is " + Mm(deviation_mm) + " too " + (wide ? "wide" : "narrow") +
         ": slide the pickup " + Mm(deviation_mm) + (wide ? " in" : " out");
}

void Append(std::string& advice, const std::string& text) {
  if (!advice.empty()) advice += "; ";
  advice += text;
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

double ForwardScrewRatio(double depth_mm, const InstrumentProfile& instrument) {
  return (instrument.root_ahead_of_rear_screw_mm + depth_mm) / instrument.screw_spacing_mm;
}

double ForwardScrewTurns(double raise_mm, double depth_mm, const InstrumentProfile& instrument) {
  return raise_mm / ForwardScrewRatio(depth_mm, instrument) / instrument.screw_pitch_mm;
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

void FillAdvice(NoteMeasurement& note, const NoteProfile& target,
                const InstrumentProfile& instrument, std::optional<double> pickup_deviation_mm) {
  note.advice.clear();
  note.correction_deg.reset();
  if (note.lateral_mm) {
    note.correction_deg = TurnRad(note, target, note.lateral_mm->value) * kDegPerRad;
    if (note.lateral_verdict == Verdict::kOutOfTolerance) {
      const LateralShares shares = SplitLateral(note, target, instrument, pickup_deviation_mm);
      Append(note.advice, LateralAdvice(note, target, shares));
    }
  }
  if (note.height_mm && note.height_verdict == Verdict::kOutOfTolerance) {
    Append(note.advice, HeightAdvice(note, target, instrument));
  }
  if (note.gap_mm && note.gap_verdict == Verdict::kOutOfTolerance) {
    Append(note.advice, GapAdvice(note, target));
  }
}

}  // namespace tinesight
