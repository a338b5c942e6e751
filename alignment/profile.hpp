#pragma once

#include <filesystem>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "calibration/error.hpp"

namespace tinesight {

/// What the instrument should be like at one note: nominal geometry, targets and tolerances, and
/// the standard uncertainties of the priors that the solve takes from them.
struct NoteProfile {
  int midi = 0;
  double tine_length_mm = 0.0;
  double tine_diameter_mm = 1.9;
  double pole_tip_diameter_mm = 3.0;
  double bobbin_diameter_mm = 13.6;
  double gap_mm = 1.5;
  double height_mm = 1.0;
  double tolerance_lateral_mm = 0.5;
  double tolerance_height_mm = 0.5;
  double tolerance_gap_mm = 0.5;
  double screw_spacing_mm = 30.0;  ///< between the tone bar's two screws
  /// How far the tine's root lies ahead (toward the pickup) of the rear screw. 30: the block sits
  /// under the forward screw.
  double root_ahead_of_rear_screw_mm = 30.0;
};

/// Standard uncertainties of the priors, for every note alike.
struct PriorUncertainty {
  double pickup_position_mm = 0.4;  ///< of a pickup about the straight, evenly spaced row
  /// How far a pole tip stands out of its bobbin, about what is usual in the row.
  double pole_protrusion_mm = 0.25;
  double lateral_mm = 1.0;
  double height_mm = 0.6;
  double gap_mm = 0.3;
  double tine_length_mm = 1.0;
  double tine_yaw_deg = 0.6;
  double tine_pitch_deg = 0.4;
  double tone_bar_yaw_deg = 0.3;
  double tone_bar_pitch_deg = 0.3;
};

/// How the workshop plays and listens, for the tone prediction. All numbers are workshop defaults:
/// no publication gives them for a given instrument, and the profile may say better.
struct ToneProfile {
  /// How far a tine of 50 mm swings to either side at its tip, soon after a soft, a medium and a
  /// hard stroke; that of another length by (length / 50 mm)^amplitude_length_exponent.
  double amplitude_soft_mm = 0.15;
  double amplitude_medium_mm = 0.4;
  double amplitude_hard_mm = 0.8;
  double amplitude_length_exponent = 1.0;
  double second_mode_share = 0.0;  ///< amplitude of the tine's second mode, of the first's
  /// From here on a note sticks out of its neighbors. Side by side 1 dB in level can just be
  /// noticed (from memory: textbooks of psychoacoustics); in playing it takes more.
  double audible_level_db = 3.0;
  double audible_harmonic_db = 6.0;
  double target_level_db = 0.0;  ///< to that at the profile's height and gap
  /// Second harmonic to the fundamental, medium stroke; absent: as at the profile's height and gap.
  std::optional<double> target_second_harmonic_db;
  bool is_default = true;  ///< false where the file says anything of it
};

/// From where on a figure that stands out of its neighbors is told as a suspicion
/// (alignment/suspicions.hpp), if it also exceeds its own U. Workshop defaults.
struct SuspicionProfile {
  double tone_bar_low_mm = 0.5;
  double crooked_deg = 0.4;
  double skewed_deg = 0.4;
  double pickup_out_mm = 0.5;
};

struct InstrumentProfile {
  std::string name;
  double note_spacing_mm = 13.7;
  double screw_pitch_mm = 25.4 / 32.0;  ///< #8-32 (ASME B1.1)
  double tone_bar_width_mm = 0.0;       ///< 0: not known, found from the photos
  double block_height_mm = 0.0;  ///< of the tines' blocks, the tine in the middle; 0: not known
  PriorUncertainty prior_u;
  ToneProfile tone;
  SuspicionProfile suspicion;
  std::vector<NoteProfile> notes;  ///< one per note of the compass, ascending, none missing

  [[nodiscard]] int FirstMidi() const { return notes.front().midi; }
  [[nodiscard]] int LastMidi() const { return notes.back().midi; }
  /// nullptr where the note is outside the compass.
  [[nodiscard]] const NoteProfile* Find(int midi) const;
};

/// Reads an instrument profile (its keys: README.md, Files). Listed notes are interpolated to the
/// ones between (lengths geometrically, everything else linearly). A missing tine_length_mm is
/// computed from the cantilever formula. Rejects missing, non-finite and absurd values by note and
/// key, and a length more than 1.5 times off what its listed neighbors say of it.
///
/// Required are `note_spacing_mm`, `notes` and, in each note, every key but `tine_length_mm`,
/// `screw_spacing_mm` and `root_ahead_of_rear_screw_mm`. These two may also stand beside `notes`,
/// for every note that doesn't say its own. Optional are `name`, `screw_pitch_mm`,
/// `tone_bar_width_mm`, `block_height_mm` and the objects `prior_u`, `tone` and `suspicion` with
/// any of the members of PriorUncertainty, ToneProfile (but for `is_default`) and SuspicionProfile.
/// Unknown keys are ignored, but for those that nearly spell one of these that is absent.
[[nodiscard]] Result<InstrumentProfile> ReadInstrumentProfile(const std::filesystem::path& file);

/// The same from the file's text; `where` starts every message ("instrument.json: ").
[[nodiscard]] Result<InstrumentProfile> ParseInstrumentProfile(std::string_view json,
                                                               const std::string& where);

}  // namespace tinesight
