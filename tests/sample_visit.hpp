#pragma once

// A small measured visit made by hand, for the tests of what comes after the solve.
#include <string>

#include "alignment/measurement.hpp"
#include "alignment/profile.hpp"

namespace tinesight {

/// A camera 400 mm in front of the pickups and 125 mm to the tine side, of 1200 × 900 px, with
/// distortion, looking along +z: the harp raised, +y down in the picture.
inline PhotoMeasurement SamplePhoto() {
  PhotoMeasurement photo;
  photo.file = "/somewhere/B1.jpg";
  photo.tags = 38;
  photo.rms_px = 0.4123456;
  photo.damper = DamperState::kHarpRaised;
  photo.notes = {40, 41, 42, 43};
  photo.warnings = {"the mount bar is blurred"};
  photo.used = true;
  photo.camera.width_px = 1200;
  photo.camera.height_px = 900;
  photo.camera.fx_px = photo.camera.fy_px = 3000.0;
  photo.camera.cx_px = 599.5;
  photo.camera.cy_px = 449.5;
  photo.camera.distortion = {-0.05, 0.02, 0.0006, -0.0004, 0.0};
  photo.camera_from_harp.linear() =
      Eigen::AngleAxisd(0.3, Eigen::Vector3d::UnitX()).toRotationMatrix();
  photo.camera_from_harp.translation() = Eigen::Vector3d(-20.0, 10.0, 420.0);
  return photo;
}

inline NoteMeasurement SampleNote(int midi, const std::string& name, double x_mm, double lateral_mm,
                                  double u_mm, Verdict verdict) {
  NoteMeasurement note;
  note.midi = midi;
  note.name = name;
  note.photos = 2;
  note.lateral_mm = Measured{lateral_mm, u_mm};
  note.height_mm = Measured{1.21, 0.06};
  note.gap_mm = Measured{1.5, 0.2};
  note.yaw_deg = Measured{0.46, 0.05};
  note.pitch_deg = Measured{-0.1, 0.05};
  note.correction_deg = -0.46;
  note.lateral_verdict = verdict;
  note.height_verdict = Verdict::kInTolerance;
  note.gap_verdict = Verdict::kInTolerance;
  note.pickup_harp_mm = Eigen::Vector3d(x_mm, 0.0, 0.0);
  note.root_harp_mm = Eigen::Vector3d(x_mm, 1.0, -80.0);
  // The prolonged axis meets the face (z = 0) at the lateral offset.
  note.tip_harp_mm =
      note.root_harp_mm +
      (Eigen::Vector3d(x_mm + lateral_mm, 1.21, 0.0) - note.root_harp_mm) * (78.5 / 80.0);
  return note;
}

/// E2 centered, F2 to re-center, F#2 uncertain, G2 not measured; one photo used, one refused.
inline VisitMeasurement SampleVisit() {
  VisitMeasurement visit;
  visit.photos.push_back(SamplePhoto());
  PhotoMeasurement refused;
  refused.file = "/somewhere/B2.jpg";
  refused.warnings = {"no tag of the rig found; take the photo with both bars in view"};
  visit.photos.push_back(refused);
  visit.notes.push_back(SampleNote(40, "E2", 0.0, -0.05, 0.05, Verdict::kInTolerance));
  visit.notes.push_back(SampleNote(41, "F2", 13.7, 0.9, 0.05, Verdict::kOutOfTolerance));
  visit.notes.back().advice = "Tine crooked in its block: turn it 0.64° toward bass.";
  visit.notes.push_back(SampleNote(42, "F#2", 27.4, -0.45, 0.1, Verdict::kUncertain));
  visit.notes.back().reason = "within U of the tolerance; take a photo from the other side";
  NoteMeasurement missing;
  missing.midi = 43;
  missing.name = "G2";
  missing.reason = "the block hides the tine, \"steeper\" is better";
  visit.notes.push_back(missing);
  return visit;
}

inline InstrumentProfile SampleProfile() {
  InstrumentProfile profile;
  profile.name = "demo";
  for (int midi = 40; midi <= 50; ++midi) {
    NoteProfile note;
    note.midi = midi;
    note.tine_length_mm = 80.0;
    note.height_mm = 1.2;
    profile.notes.push_back(note);
  }
  return profile;
}

}  // namespace tinesight
