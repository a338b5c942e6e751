#include "alignment/judge_notes.hpp"

#include <array>
#include <cmath>
#include <map>
#include <optional>

#include "alignment/correction.hpp"
#include "alignment/covariance.hpp"
#include "alignment/harp_frame.hpp"
#include "alignment/note_name.hpp"
#include "alignment/suspicions.hpp"
#include "calibration/angle.hpp"

namespace tinesight {
namespace {

constexpr double kCoverage = 2.0;  // k of the expanded uncertainty

Measured Expand(double value, double variance, double unit = 1.0) {
  return {unit * value, kCoverage * unit * std::sqrt(std::max(0.0, variance))};
}

/// The solve's frame is held by priors; the frame that figures are told in is fitted to what was
/// measured. Falls back on the solve's frame, with a wide uncertainty, where that can't be.
HarpFrame FitFrame(const HarpSolution& solution, const InstrumentProfile& profile) {
  std::vector<MeasuredPickup> pickups;
  std::vector<MeasuredToneBar> bars;
  for (const SolvedNote& note : solution.notes) {
    pickups.push_back({note.midi, note.state.head<3>()});
    if (!note.has_tone_bar) continue;
    bars.push_back({note.midi, {note.tone_bar(2), note.tone_bar(3), 1.0}});
  }
  HarpFrameOptions options;
  options.note_spacing_mm = profile.note_spacing_mm;
  options.origin_midi = profile.FirstMidi();
  options.pickup_scatter_mm = profile.prior_u.pickup_position_mm;
  // One photo hardly tells how the row slopes in depth; two stations do, better than the bars.
  options.row_slope_u_rad = solution.row_turn_u_rad;
  if (auto frame = FitHarpFrame(pickups, bars, options)) return *frame;
  HarpFrame frame;
  frame.u_rotation_rad.setConstant(profile.prior_u.tine_yaw_deg / kDegPerRad);
  return frame;
}

/// A note's geometry in the fitted harp frame.
struct NoteGeometryInHarp {
  Eigen::Vector3d pickup_mm;
  Eigen::Vector3d on_axis_mm;  ///< where the axis passes the pickup's face
  Eigen::Vector3d direction;   ///< z = 1
};

NoteGeometryInHarp InHarp(const SolvedNote& solved, const Eigen::Isometry3d& harp_from_solve) {
  using I = SolvedNote;
  const auto& s = solved.state;
  NoteGeometryInHarp note;
  note.pickup_mm = harp_from_solve * s.head<3>();
  note.direction =
      harp_from_solve.linear() * Eigen::Vector3d(std::tan(s(I::kYaw)), std::tan(s(I::kPitch)), 1.0);
  note.direction /= note.direction.z();
  const Eigen::Vector3d axis =
      harp_from_solve * (s.head<3>() + Eigen::Vector3d(s(I::kLateral), s(I::kHeight), 0.0));
  note.on_axis_mm = axis + (note.pickup_mm.z() - axis.z()) * note.direction;
  return note;
}

void FillFigures(const SolvedNote& solved, const NoteProfile& profile, const HarpFrame& frame,
                 NoteMeasurement& note) {
  using I = SolvedNote;
  const auto& c = solved.covariance;
  const auto squared = [](double value) { return value * value; };
  const NoteGeometryInHarp geometry = InHarp(solved, frame.harp_from_input);
  const double gap_mm = solved.state(I::kGap);
  note.photos = solved.photos;
  note.lateral_mm =
      Expand(geometry.on_axis_mm.x() - geometry.pickup_mm.x(), c(I::kLateral, I::kLateral));
  note.height_mm =
      Expand(geometry.on_axis_mm.y() - geometry.pickup_mm.y(), c(I::kHeight, I::kHeight));
  note.gap_mm = Expand(gap_mm, c(I::kGap, I::kGap));
  const double u2_yaw = squared(frame.u_rotation_rad.y());
  note.yaw_deg =
      Expand(std::atan(geometry.direction.x()), c(I::kYaw, I::kYaw) + u2_yaw, kDegPerRad);
  note.pitch_deg = Expand(std::atan(geometry.direction.y()),
                          c(I::kPitch, I::kPitch) + squared(frame.u_rotation_rad.x()), kDegPerRad);
  if (solved.has_tone_bar) {
    const Eigen::Vector3d bar = frame.harp_from_input.linear() *
                                Eigen::Vector3d(solved.tone_bar(2), solved.tone_bar(3), 1.0);
    note.tone_bar_yaw_deg =
        Expand(std::atan(bar.x() / bar.z()), solved.tone_bar_covariance(2, 2) + u2_yaw, kDegPerRad);
  }
  note.tine_diameter_mm = profile.tine_diameter_mm;
  note.pole_tip_diameter_mm = profile.pole_tip_diameter_mm;
  note.pickup_harp_mm = geometry.pickup_mm;
  note.tip_harp_mm = geometry.on_axis_mm - gap_mm * geometry.direction;
  note.root_harp_mm = note.tip_harp_mm - profile.tine_length_mm * geometry.direction;
}

/// The covariance of the figures as stated: how they hang together is the solve's, and what the
/// frame adds to the uncertainty of one of them stands on the diagonal.
NoteCovariance StatedCovariance(const SolvedNote& solved, const NoteMeasurement& note) {
  constexpr std::array kIndex{SolvedNote::kLateral, SolvedNote::kHeight, SolvedNote::kGap,
                              SolvedNote::kYaw, SolvedNote::kPitch};
  const Eigen::Vector<double, 5> unit{1.0, 1.0, 1.0, kDegPerRad, kDegPerRad};
  NoteCovariance covariance =
      PropagateCovariance(unit.asDiagonal(), solved.covariance(kIndex, kIndex));
  const Eigen::Vector<double, 5> expanded{note.lateral_mm->expanded_u, note.height_mm->expanded_u,
                                          note.gap_mm->expanded_u, note.yaw_deg->expanded_u,
                                          note.pitch_deg->expanded_u};
  covariance.diagonal() = (expanded / kCoverage).cwiseAbs2();
  return covariance;
}

/// Why a verdict is uncertain and what to do, in one line; empty where none is.
std::string ReasonOfDoubt(const NoteMeasurement& note, bool damped) {
  std::string doubtful;
  if (note.lateral_verdict == Verdict::kUncertain) doubtful = "lateral";
  if (!damped && note.height_verdict == Verdict::kUncertain) {
    doubtful += doubtful.empty() ? "height" : " and height";
  }
  std::string reason;
  const auto say = [&](const std::string& part) {
    if (!reason.empty()) reason += "; ";
    reason += part;
  };
  if (!doubtful.empty()) {
    say(doubtful + " too near the tolerance for the uncertainty: " +
        (note.photos < 2 ? "add a photo from the other side"
                         : "take photos closer and steadier, with softer light"));
  }
  if (damped) {
    say("a damper rests on the tine: height needs a photo with the key held or the harp raised");
  }
  if (note.gap_verdict == Verdict::kUncertain) {
    say("the gap rests on the profile, the tine's end is not seen well enough: check it with a "
        "gauge");
  }
  return reason;
}

void FillVerdicts(const NoteProfile& profile, DamperState damper, NoteMeasurement& note) {
  note.lateral_verdict =
      Judge(note.lateral_mm->value, note.lateral_mm->expanded_u, profile.tolerance_lateral_mm);
  note.height_verdict = Judge(note.height_mm->value - profile.height_mm, note.height_mm->expanded_u,
                              profile.tolerance_height_mm);
  note.gap_verdict =
      Judge(note.gap_mm->value - profile.gap_mm, note.gap_mm->expanded_u, profile.tolerance_gap_mm);
  const bool damped = damper == DamperState::kResting;
  if (damped) note.height_verdict = Verdict::kUncertain;
  note.reason = ReasonOfDoubt(note, damped);
}

}  // namespace

std::vector<NoteMeasurement> JudgeNotes(const std::vector<PhotoObservations>& photos,
                                        const HarpSolution& solution,
                                        const InstrumentProfile& profile, DamperState damper) {
  std::map<int, NoteMeasurement> notes;
  for (const PhotoObservations& photo : photos) {
    for (const NoteObservation& seen : photo.notes) {
      NoteMeasurement& note = notes[seen.midi];
      note.midi = seen.midi;
      note.name = NoteName(seen.midi);
      if (!seen.problem.empty()) note.reason = seen.problem;
    }
  }
  const HarpFrame frame = FitFrame(solution, profile);
  std::map<int, double> pickup_deviation_mm;
  for (const PickupDeviation& d : frame.pickups) {
    pickup_deviation_mm[d.midi] = d.deviation_harp_mm.x();
  }
  for (const SolvedNote& solved : solution.notes) {
    const NoteProfile* note_profile = profile.Find(solved.midi);
    if (note_profile == nullptr) continue;
    NoteMeasurement& note = notes[solved.midi];
    note.reason.clear();
    FillFigures(solved, *note_profile, frame, note);
    note.covariance = StatedCovariance(solved, note);
    FillVerdicts(*note_profile, damper, note);
    const auto deviation = pickup_deviation_mm.find(solved.midi);
    FillAdvice(
        note, *note_profile, profile,
        deviation == pickup_deviation_mm.end() ? std::nullopt : std::optional(deviation->second));
  }
  for (auto& [midi, suspicions] : FindSuspicions(solution, frame, profile, damper)) {
    notes[midi].suspicions = std::move(suspicions);
  }
  std::vector<NoteMeasurement> result;
  result.reserve(notes.size());
  for (auto& [midi, note] : notes) result.push_back(std::move(note));
  return result;
}

}  // namespace tinesight
