#pragma once

#include <Eigen/Core>
#include <Eigen/Geometry>
#include <algorithm>
#include <string>
#include <vector>

#include "alignment/profile.hpp"
#include "calibration/camera.hpp"
#include "calibration/error.hpp"
#include "calibration/rig_pose.hpp"
#include "vision/note_observation.hpp"

namespace tinesight {

/// One photo as the solve needs it: where the camera stood in the rig frame, how sure that is,
/// and what was seen of each note.
struct PhotoObservations {
  Camera camera;  ///< as calibrated
  RigPose pose;
  /// Photos taken with the rig clamped in the same place share a placement, counted from 0.
  int placement = 0;
  bool height_counts = true;  ///< false where a damper rests on the tines
  std::vector<NoteObservation> notes;
};

struct HarpSolveOptions {
  double placement_position_sigma_mm = 25.0;  ///< prior of where the rig is clamped
  double placement_rotation_sigma_rad = 0.09;
  double ring_depth_mm = 2.0;  ///< prior of the flange behind the pole tip's face
  double ring_depth_sigma_mm = 1.0;
  /// Prior of how much deeper than it lies the pole's face is seen: light may make a part of the
  /// pole's side belong to it, on all pickups of a photo alike.
  double pole_depth_sigma_mm = 0.3;
  /// How far a ring's apparent depth differs from photo to photo. Chosen among 0.1, 0.2 and 0.4 by
  /// the sample photos, where they differ little; a scene of another maker, looked at beside them,
  /// agreed.
  double ring_depth_per_photo_sigma_mm = 0.2;
  /// Of a ring's standard uncertainty, how much may be common to all rings of a kind in a photo:
  /// light from one side moves them all alike.
  double ring_shift_share = 0.7;
  /// Standard uncertainty, mm in x and in y, of what light does to all rings of a visit alike:
  /// rims, cones and flanges are bright on the lamp's side and dark on the other, from wherever
  /// they are seen. Nothing in the photos tells it, so it is added to the solve's covariance.
  /// Chosen so that the errors on the sample photos are near the stated u (Accuracy test).
  double ring_light_sigma_mm = 0.04;
  /// How much nearer to their mounts, or farther from them, all tines of a photo may seem to end:
  /// light and focus are the same to all.
  double tip_shift_sigma_mm = 0.4;
  /// Prior of how far the blocks' edges that are uppermost in the photo stand over their tines'
  /// axes (toward -y): alike on all notes of a placement, and not to be told from a pitch of all
  /// tines in one photo. Half the profile's block height, or, where that isn't known, of usual
  /// blocks, which are 6 to 8 mm high (common practice, no source).
  double usual_block_top_mm = 3.5;
  double usual_block_top_sigma_mm = 1.0;
  /// Where the height is known: rounded edges, and a tine that isn't quite in the middle.
  double block_top_sigma_mm = 0.4;
  /// How much nearer to the mounts the blocks' edges of a photo may seem, as tip_shift_sigma_mm.
  double block_shift_sigma_mm = 0.15;
  /// Standard deviations beyond which where a tine ends or leaves its block counts ever less
  /// (Cauchy): what is taken for it may be a spring's end, or the pole's edge.
  double end_cauchy = 2.0;
  double huber = 2.0;  ///< standard deviations beyond which residuals count less
  [[nodiscard]] Result<void> Validate() const;
};

/// One note as solved, harp frame. The axis passes (x + lateral, y + height) at the pickup's face
/// and has the direction (tan yaw, tan pitch, 1).
struct SolvedNote {
  enum Index { kX, kY, kZ, kLateral, kHeight, kGap, kYaw, kPitch, kRecess, kCount };
  int midi = 0;
  int photos = 0;
  /// pickup x, y, z mm; lateral, height, gap mm; yaw, pitch rad; how much further than usual its
  /// flange lies behind the pole tip's face, mm
  Eigen::Matrix<double, kCount, 1> state = Eigen::Matrix<double, kCount, 1>::Zero();
  Eigen::Matrix<double, kCount, kCount> covariance = Eigen::Matrix<double, kCount, kCount>::Zero();
  /// Tone bar: x, y mm at its middle; yaw, pitch rad. Valid where has_tone_bar.
  bool has_tone_bar = false;
  Eigen::Vector4d tone_bar = Eigen::Vector4d::Zero();
  Eigen::Matrix4d tone_bar_covariance = Eigen::Matrix4d::Zero();
};

struct HarpSolution {
  std::vector<SolvedNote> notes;                    ///< ascending MIDI numbers
  std::vector<Eigen::Isometry3d> rig_from_harp;     ///< per placement
  std::vector<Eigen::Isometry3d> camera_from_harp;  ///< per photo
  std::vector<Camera> cameras;                      ///< per photo, focal length adjusted
  std::vector<Eigen::Vector2d> ring_depths_mm;      ///< flange, pole per placement
  /// Standard uncertainty of the turn about y of the row of pickups, against the rig in the
  /// placement where it is least known. How straight the row is has no part in it.
  double row_turn_u_rad = 0.0;
  double variance_factor = 0.0;  ///< of the whitened residuals; 1 where the noise was as stated
  /// What the covariances are scaled by: the variance factor, but never below kLeastFactor.
  /// Residuals don't show what light does to all rings and rods of a photo alike. With it, of two
  /// stations' errors on the sample photos 99 % are within U (Accuracy test).
  [[nodiscard]] double CovarianceFactor() const { return std::max(kLeastFactor, variance_factor); }
  static constexpr double kLeastFactor = 0.58;
  /// The same for tone bars: with it their errors there are 1.0 of what is stated from one photo
  /// and from two stations, 1.2 in the whole visit. Both factors were chosen by the sample photos.
  [[nodiscard]] double ToneBarFactor() const { return std::max(kLeastBarFactor, variance_factor); }
  static constexpr double kLeastBarFactor = 0.65;
};

/// One robust nonlinear least-squares problem over all photos of a visit: camera poses and focal
/// scales (with the rig solve's covariance as prior), the rig's placements on the harp, and every
/// note, with the profile as priors. The harp frame is held by the pickups' nominal row: pickup of
/// MIDI number m at x = spacing · (m − first), y = z = 0. The covariance is the cofactor of
/// EstimateCovariance at the optimum times HarpSolution::CovarianceFactor(). Fails where no optimum
/// was reached, or where the photos and priors don't determine the harp.
[[nodiscard]] Result<HarpSolution> SolveHarp(const std::vector<PhotoObservations>& photos,
                                             const InstrumentProfile& profile,
                                             const std::vector<Eigen::Isometry3d>& rig_from_harp,
                                             const HarpSolveOptions& options = {});

}  // namespace tinesight
