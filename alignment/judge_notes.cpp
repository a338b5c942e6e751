#include "alignment/judge_notes.hpp"

#include <cmath>
#include <map>
#include <numbers>

#include "alignment/note_name.hpp"

namespace tinesight {
namespace {

constexpr double kCoverage = 2.0;  // k of the expanded uncertainty
constexpr double kDegrees = 180.0 / std::numbers::pi;

Measured Expand(double value, double variance, double unit = 1.0) {
  return {unit * value, kCoverage * unit * std::sqrt(std::max(0.0, variance))};
}

void FillFigures(const SolvedNote& solved, const NoteProfile& profile, NoteMeasurement& note) {
  const auto& s = solved.state;
  const auto& c = solved.covariance;
  using I = SolvedNote;
  note.photos = solved.photos;
  note.lateral_mm = Expand(s(I::kLateral), c(I::kLateral, I::kLateral));
  note.height_mm = Expand(s(I::kHeight), c(I::kHeight, I::kHeight));
  note.gap_mm = Expand(s(I::kGap), c(I::kGap, I::kGap));
  note.yaw_deg = Expand(s(I::kYaw), c(I::kYaw, I::kYaw), kDegrees);
  note.pitch_deg = Expand(s(I::kPitch), c(I::kPitch, I::kPitch), kDegrees);
  if (solved.has_tone_bar) {
    note.tone_bar_yaw_deg =
        Expand(solved.tone_bar(2), solved.tone_bar_covariance(2, 2), kDegrees);
  }
  const double lever_mm = profile.tine_length_mm + s(I::kGap);
  note.correction_deg = -kDegrees * std::atan2(s(I::kLateral), lever_mm);
  note.tine_diameter_mm = profile.tine_diameter_mm;
  note.pole_tip_diameter_mm = profile.pole_tip_diameter_mm;
  const auto on_axis = [&](double along_mm) {
    return Eigen::Vector3d(s(I::kX) + s(I::kLateral) - along_mm * std::tan(s(I::kYaw)),
                           s(I::kY) + s(I::kHeight) - along_mm * std::tan(s(I::kPitch)),
                           s(I::kZ) - along_mm);
  };
  note.pickup_harp_mm = s.head<3>();
  note.tip_harp_mm = on_axis(s(I::kGap));
  note.root_harp_mm = on_axis(s(I::kGap) + profile.tine_length_mm);
}

void FillVerdicts(const NoteProfile& profile, DamperState damper, NoteMeasurement& note) {
  note.lateral_verdict = Judge(note.lateral_mm->value, note.lateral_mm->expanded_u,
                               profile.tolerance_lateral_mm);
  note.height_verdict = Judge(note.height_mm->value - profile.height_mm,
                              note.height_mm->expanded_u, profile.tolerance_height_mm);
  note.gap_verdict = Judge(note.gap_mm->value - profile.gap_mm, note.gap_mm->expanded_u,
                           profile.tolerance_gap_mm);
  const bool damped = damper == DamperState::kResting;
  if (damped) note.height_verdict = Verdict::kUncertain;
  std::string unsure;
  const auto add = [&](Verdict verdict, const char* name) {
    if (verdict != Verdict::kUncertain) return;
    if (!unsure.empty()) unsure += ", ";
    unsure += name;
  };
  add(note.lateral_verdict, "lateral");
  if (!damped) add(note.height_verdict, "height");
  add(note.gap_verdict, "gap");
  if (!unsure.empty()) {
    note.reason = unsure + " too near the tolerance for its uncertainty; " +
                  (note.photos < 2 ? "add a photo from the other side"
                                   : "take photos closer and steadier, with softer light");
  }
  if (damped) {
    if (!note.reason.empty()) note.reason += "; ";
    note.reason += "a damper rests on the tine: height needs a photo with the key held or the "
                   "harp raised";
  }
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
  for (const SolvedNote& solved : solution.notes) {
    const NoteProfile* note_profile = profile.Find(solved.midi);
    if (note_profile == nullptr) continue;
    NoteMeasurement& note = notes[solved.midi];
    note.reason.clear();
    FillFigures(solved, *note_profile, note);
    FillVerdicts(*note_profile, damper, note);
  }
  std::vector<NoteMeasurement> result;
  for (auto& [midi, note] : notes) result.push_back(std::move(note));
  return result;
}

}  // namespace tinesight
