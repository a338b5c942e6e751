#pragma once

namespace tinesight {

/// A tine is a steel rod that is clamped in its block and free at the other end: a cantilever.
/// Its bending modes (Euler and Bernoulli; W. T. Thomson, "Theory of Vibration with
/// Applications", appendix D) have the frequencies
///
///   f_n = β_n² / (2π L²) · √(E I / (ρ A)),    and for a round rod √(I / A) = diameter / 4,
///
/// where β_n is the n-th positive root of 1 + cos β cosh β = 0; the first is 1.875104068712. The
/// tuning spring is taken as a point mass at the tip, μ times the mass of the rod. Its inertia is
/// balanced by the shear force at the tip, and the roots are those of
///
///   1 + cos β cosh β + μ β (cos β sinh β − sin β cosh β) = 0.
///
/// A spring that sits farther in acts as a smaller mass at the tip. Taper and the block's give
/// are left out: the result is a starting value for the measuring, not a cutting list.
struct RodMaterial {
  /// Music wire: 30·10⁶ psi and 0.284 lb/in³ of the usual spring tables. Other tables say
  /// 190 GPa; that alone moves a frequency by 74 cents and a length by 2 %.
  double youngs_modulus_gpa = 207.0;
  double density_kg_m3 = 7861.0;
};

/// Mass of the tuning spring as a share of the tine's where nothing is known about it: it gives
/// 157 mm for a tine of 1.9 mm at E1 (41.2 Hz).
inline constexpr double kDefaultTipMassRatio = 0.2;

/// β of mode `mode` (1 is the fundamental) with a tip mass of `tip_mass_ratio` = μ, to the last
/// digits of a double. Preconditions: mode ≥ 1, μ ≥ 0 and finite.
[[nodiscard]] double CantileverRoot(int mode, double tip_mass_ratio = 0.0);

/// Mass of a round rod in g.
[[nodiscard]] double RodMassG(double length_mm, double diameter_mm,
                              const RodMaterial& material = {});

/// Frequency of a mode of a round rod with a point mass of `tip_mass_g` at its free end.
/// Preconditions: lengths > 0, mass ≥ 0.
[[nodiscard]] double CantileverFrequencyHz(double length_mm, double diameter_mm, double tip_mass_g,
                                           int mode = 1, const RodMaterial& material = {});

/// Length of the tine whose fundamental is `frequency_hz` with a tuning spring of `tip_mass_g`.
/// Preconditions: frequency and diameter > 0, mass ≥ 0. 0 where the spring is so heavy for the
/// thin rod that only a tine shorter than 1 mm would do.
[[nodiscard]] double TineLengthMm(double frequency_hz, double diameter_mm, double tip_mass_g,
                                  const RodMaterial& material = {});

/// The same with the spring's mass given as a share of the tine's.
[[nodiscard]] double TineLengthForMassRatioMm(double frequency_hz, double diameter_mm,
                                              double tip_mass_ratio = kDefaultTipMassRatio,
                                              const RodMaterial& material = {});

/// Equal temperament on A4 = 440 Hz (ISO 16:1975).
[[nodiscard]] double EqualTemperamentHz(int midi);

}  // namespace tinesight
