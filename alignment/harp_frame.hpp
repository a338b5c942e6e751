#pragma once

#include <Eigen/Core>
#include <Eigen/Geometry>
#include <string>
#include <vector>

#include "calibration/error.hpp"

namespace tinesight {

/// A measured pickup center, in the frame of the measuring (the rig's), mm.
struct MeasuredPickup {
  int midi = 0;
  Eigen::Vector3d center_input_mm = Eigen::Vector3d::Zero();
};

/// The measured direction of a tone bar, from mount to pickup, in the frame of the measuring.
struct MeasuredToneBar {
  int midi = 0;
  Eigen::Vector3d direction_input = Eigen::Vector3d::UnitZ();  ///< any length
};

struct HarpFrameOptions {
  double note_spacing_mm = 13.7;  ///< of the profile; carries the origin to `origin_midi`
  int origin_midi = 28;           ///< the note at whose nominal pickup place the origin lies
  /// Usual scatter of a pickup about the row, of a bar about the mean direction, and standard
  /// uncertainty of the note spacing: what is believed where few notes were seen.
  double pickup_scatter_mm = 0.4;
  double tone_bar_scatter_rad = 0.01;
  double note_spacing_u_mm = 0.1;
  /// Standard uncertainty of the row's slope in depth (its turn about y) as measured, which the
  /// pickups' scatter needn't show, and of how square a harp's bars on the whole are to its row.
  /// Where the first is above 0, x leaves the row a little for the direction square to the bars,
  /// each by its weight.
  double row_slope_u_rad = 0.0;
  double out_of_square_u_rad = 0.0015;
  /// Names the first field that makes no sense, with its value.
  [[nodiscard]] Result<void> Validate() const;
};

/// Where one pickup stands against the fitted row, harp directions (+x treble, +y up, +z away
/// from the mounts). x is against the even spacing that fits the seen notes best, not against the
/// profile's, so that a spacing known to 1 % does not look like pickups out of line.
struct PickupDeviation {
  int midi = 0;
  Eigen::Vector3d deviation_harp_mm = Eigen::Vector3d::Zero();
  bool used = true;  ///< false: out of line, left out of the fit
};

/// How one tone bar lies against the harp frame.
struct ToneBarDeviation {
  int midi = 0;
  double yaw_rad = 0.0;    ///< from +z toward +x
  double pitch_rad = 0.0;  ///< from +z toward +y
  bool used = true;        ///< false: skewed, left out of the fit
};

/// The harp frame and what it rests on.
struct HarpFrame {
  Eigen::Isometry3d harp_from_input = Eigen::Isometry3d::Identity();
  double fitted_note_spacing_mm = 0.0;
  std::vector<PickupDeviation> pickups;     ///< in the order given
  std::vector<ToneBarDeviation> tone_bars;  ///< in the order given
  /// Robust standard deviations of what was used, about the row and about the mean direction.
  double pickup_scatter_mm = 0.0;
  double tone_bar_scatter_rad = 0.0;
  /// Standard uncertainties from those scatters: of the turns about harp x (the bars' pitch), y
  /// and z (the row), and of the origin at the middle of the seen notes.
  Eigen::Vector3d u_rotation_rad = Eigen::Vector3d::Zero();
  Eigen::Vector3d u_origin_mm = Eigen::Vector3d::Zero();
  std::vector<std::string> warnings;
};

/// Fits the harp frame (README.md of this folder) to what was measured, so that no result depends
/// on how the rig was clamped.
///
///   x: along the straight row of the pickup centers, bass to treble;
///   z: the mean direction of the tone bars, made square to x;  y = z × x;
///      where the row's slope in depth is not certain (options), x gives way to z as well;
///   origin: where the pickup of `origin_midi` should stand: the seen pickups, each carried along
///   x by its number of notes times the profile's note spacing.
///
/// Every mean is robust: it starts from the least sum of absolute deviations and is polished with
/// Tukey's biweight (c = 4.685, 95 % efficient for normal errors; P. J. Huber, "Robust
/// Statistics"), whose scale is the median absolute deviation. A pickup that stands out of line or
/// a skewed bar loses all of its weight. With fewer than six notes a scale can't be read off the
/// notes, so it never goes below the usual scatter of the options: nothing is then thrown out
/// that could be ordinary.
///
/// With one pickup, or none, the row's direction is the input's +x; without a tone bar z is the
/// input's +z; a warning says so. Fails where nothing was measured, a value is not finite, a note
/// comes twice, a direction is zero, or where the row and the bars are not nearly square to each
/// other (within 30°), which no harp is.
[[nodiscard]] Result<HarpFrame> FitHarpFrame(const std::vector<MeasuredPickup>& pickups,
                                             const std::vector<MeasuredToneBar>& tone_bars,
                                             const HarpFrameOptions& options);

}  // namespace tinesight
