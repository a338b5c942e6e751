#pragma once

#include <Eigen/Core>
#include <array>

namespace tinesight {

/// What a pickup makes of a tine that swings in front of it.
///
/// **The published law.** A. Falaize and T. Hélie, Journal of Sound and Vibration 390 (2017)
/// 289–309, doi 10.1016/j.jsv.2016.11.008, eq. 25: with the tip's excursion q, the height h of its
/// rest above the pole's center, the gap g and the pole's radius R, the voltage is
///
///   v ∝ q̇ · [(f1 − 2 g²)/f1² − (f2 − 2 g²)/f2²],    f1,2 = (q ∓ R + h)² + g².
///
/// The bracket is ∂Φ/∂y of the flux Φ(y) = (R − y)/f1 + (R + y)/f2, y = h + q, that a dipole of the
/// plane, at the distance y from the pole's axis, sends through the pole's diameter: the field
/// (g² − s²)/(g² + s²)² integrated over s from −R − y to R − y.
///
/// **The lateral term** is our derivation; no published measurement of it was found. The published
/// flux is given along the pole's vertical diameter. The pole tip is round, so that turning it
/// about its axis changes nothing, and the flux can depend on the tip's place only through its
/// distance ρ from that axis. With the lateral offset x
///
///   Φ(x, y) = Φ(ρ),   ρ² = x² + (h + q)²,   v ∝ q̇ · ∂Φ/∂y = q̇ · Φ'(ρ) · (h + q)/ρ:
///
/// eq. 25 with ρ for q + h, times the share of the motion that leads away from the axis. At x = 0
/// it is eq. 25 itself. With S = ρ² + R² + g² and P = f1 f2 = S² − 4 ρ² R² the fractions join to
///
///   v ∝ q̇ · (h + q) · (4R/P) · (1 − 4 g² S/P),
///
/// which has no 0/0 on the axis and the symmetries in plain sight: even in x, odd in h. A point
/// dipole before a disc, integrated in space, agrees within 1.7 dB for gaps of 1 mm and more and
/// offsets up to 1 mm (tone_model_test). A pole tip that is not round, such as a chisel's edge,
/// would mind a lateral offset less.
///
/// **The motion** is that of a cantilever's first mode, a sine at the tip (the cited papers find
/// it so after a very short transient). Optionally the second mode is added at its own frequency,
/// which is no multiple of the first; a harmonic is then the line at that multiple of the first,
/// and the level counts everything.
///
/// Voltages here are per angular frequency of the fundamental and without the constant of coil and
/// magnet: only ratios mean something. Lengths mm.

/// Where the tip rests before its pickup: as NoteMeasurement has it. The height is that of the
/// axis prolonged to the pickup's face; over the gap a pitch of 1° makes 0.03 mm of difference,
/// which is left out.
struct PickupPlace {
  double lateral_mm = 0.0;
  double height_mm = 0.0;
  double gap_mm = 1.5;
};

/// The tip's motion.
struct TineStroke {
  double amplitude_mm = 0.5;
  double second_mode_share = 0.0;   ///< amplitude of the second mode at the tip, of the first's
  double second_mode_ratio = 6.97;  ///< its frequency, of the first's: SecondModeRatio()
};

/// Frequency of a tine's second mode as a multiple of the first: (β₂/β₁)² of the cantilever with
/// its tuning spring; 6.2669 for the bare rod (Thomson, appendix D).
[[nodiscard]] double SecondModeRatio(double tip_mass_ratio);

/// The flux Φ in 1/mm and its slope ∂Φ/∂q in 1/mm² at an excursion of the tip.
/// Preconditions for all below: gap, pole radius and amplitude > 0, everything finite.
[[nodiscard]] double PickupFlux(const PickupPlace& place, double pole_radius_mm,
                                double excursion_mm);
[[nodiscard]] double PickupFluxSlope(const PickupPlace& place, double pole_radius_mm,
                                     double excursion_mm);

inline constexpr std::size_t kToneHarmonics = 6;

/// The voltage of one stroke, by the trapezoidal rule over a period: on a smooth periodic function
/// it converges as fast as the function's poles are far, and the number of points is taken from
/// them so that nothing but rounding is left.
struct PickupSpectrum {
  double rms = 0.0;  ///< of all there is, harmonics beyond the sixth too
  /// Amplitudes of the fundamental and its multiples, with sign (0 or π against the motion).
  std::array<double, kToneHarmonics> harmonic{};
};
[[nodiscard]] PickupSpectrum Spectrum(const PickupPlace& place, double pole_radius_mm,
                                      const TineStroke& stroke);

/// A figure in dB and its slope in dB/mm by lateral offset, height and gap.
struct ToneFigure {
  double db = 0.0;
  Eigen::Vector3d per_mm = Eigen::Vector3d::Zero();
};

/// A tone in three figures: its level (20 log10 of the rms), its second and its third harmonic to
/// the fundamental. A ratio ends at ±140 dB, where a harmonic has vanished.
struct ToneFigures {
  ToneFigure level;
  ToneFigure second;
  ToneFigure third;
};
/// With exact slopes (automatic differentiation).
[[nodiscard]] ToneFigures PredictTone(const PickupPlace& place, double pole_radius_mm,
                                      const TineStroke& stroke);

/// Level, second and third harmonic, dB, without the slopes: four times as fast.
[[nodiscard]] Eigen::Vector3d PredictToneDb(const PickupPlace& place, double pole_radius_mm,
                                            const TineStroke& stroke);

}  // namespace tinesight
