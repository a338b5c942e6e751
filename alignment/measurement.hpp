#pragma once

#include <Eigen/Core>
#include <Eigen/Geometry>
#include <optional>
#include <string>
#include <vector>

#include "alignment/verdict.hpp"
#include "calibration/camera.hpp"
#include "vision/exif.hpp"

namespace tinesight {

/// A measured quantity with its expanded uncertainty U (k = 2); the unit is in the member's name.
struct Measured {
  double value = 0.0;
  double expanded_u = 0.0;
};

/// What the photos alone make one suspect of a note. None is a verdict: each says where to look.
enum class SuspicionKind { kToneBarLow, kCrookedInBlock, kToneBarSkewed, kPickupOutOfLine };

struct Suspicion {
  SuspicionKind kind = SuspicionKind::kToneBarLow;
  std::string text;  ///< "tone bar low, 0.8 mm: check grommet and spring"
};

/// Lateral offset, height and gap in mm, yaw and pitch in degrees, in that order.
using NoteCovariance = Eigen::Matrix<double, 5, 5>;

enum class DamperState { kUnknown, kHarpRaised, kKeyHeld, kResting };

/// What the solve found for one note, in the harp frame (origin at the first note's nominal
/// pickup place, +x treble, +y up as played, +z from mount to pickup). Absent: not measured, and
/// `reason` says why.
struct NoteMeasurement {
  int midi = 0;
  std::string name;
  int photos = 0;  ///< photos whose observations of this note were used
  std::optional<Measured> lateral_mm;
  std::optional<Measured> height_mm;
  std::optional<Measured> gap_mm;
  std::optional<Measured> yaw_deg;
  std::optional<Measured> pitch_deg;
  std::optional<Measured> tone_bar_yaw_deg;
  /// Of the standard uncertainties (k = 1) of the five figures above the tone bar's: the diagonal
  /// is the square of half their expanded ones. Absent where the solve did not state it.
  std::optional<NoteCovariance> covariance;
  /// How far a resting damper pushes the tine up: height at rest minus height without it. Present
  /// where both were measured.
  std::optional<Measured> damper_lift_mm;
  std::optional<double> correction_deg;  ///< turn about the root that brings lateral to zero
  Verdict lateral_verdict = Verdict::kNotMeasured;
  Verdict height_verdict = Verdict::kNotMeasured;
  Verdict gap_verdict = Verdict::kNotMeasured;
  std::string reason;  ///< why uncertain or not measured, and what to do
  std::string advice;  ///< cause and correction in the technician's words, empty if none
  std::vector<Suspicion> suspicions;
  /// Geometry for pictures and 3D, harp frame, mm; valid where lateral_mm is present.
  Eigen::Vector3d root_harp_mm = Eigen::Vector3d::Zero();
  Eigen::Vector3d tip_harp_mm = Eigen::Vector3d::Zero();
  Eigen::Vector3d pickup_harp_mm = Eigen::Vector3d::Zero();
  double tine_diameter_mm = 1.9;
  double pole_tip_diameter_mm = 3.0;
};

/// What one photo contributed.
struct PhotoMeasurement {
  std::string file;
  int tags = 0;
  double rms_px = 0.0;
  ExifSummary exif;  ///< all unknown where the photo could not be read
  DamperState damper = DamperState::kUnknown;
  std::vector<int> notes;  ///< MIDI numbers seen
  std::vector<std::string> warnings;
  bool used = false;  ///< false: the photo was refused, warnings.front() says why
  /// For overlays: this photo's camera and pose; valid where used.
  Camera camera;
  Eigen::Isometry3d camera_from_harp = Eigen::Isometry3d::Identity();
};

/// The result of `measure` over all photos of a visit.
struct VisitMeasurement {
  std::vector<PhotoMeasurement> photos;
  std::vector<NoteMeasurement> notes;  ///< ascending MIDI numbers
};

}  // namespace tinesight
