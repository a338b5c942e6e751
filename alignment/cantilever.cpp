#include "alignment/cantilever.hpp"

#include <cassert>
#include <cmath>
#include <numbers>

namespace tinesight {
namespace {

constexpr double kPi = std::numbers::pi;
constexpr double kShortestTineMm = 1.0;

// The frequency equation divided by cosh β, which keeps the high modes from overflowing.
double FrequencyEquation(double beta, double tip_mass_ratio) {
  return 1.0 / std::cosh(beta) + std::cos(beta) +
         tip_mass_ratio * beta * (std::cos(beta) * std::tanh(beta) - std::sin(beta));
}

// Halves [low, high], where `below(low)` holds and `below(high)` does not, until no double is
// left between the two.
template <typename Predicate>
double Bisect(double low, double high, Predicate below) {
  for (;;) {
    const double middle = 0.5 * (low + high);
    if (middle <= low || middle >= high) return middle;
    (below(middle) ? low : high) = middle;
  }
}

// √(E / ρ) · diameter / 4 in m²/s, the stiffness of a round rod per its mass.
double BendingStiffness(double diameter_mm, const RodMaterial& material) {
  return std::sqrt(material.youngs_modulus_gpa * 1e9 / material.density_kg_m3) * diameter_mm *
         1e-3 / 4.0;
}

}  // namespace

double CantileverRoot(int mode, double tip_mass_ratio) {
  assert(mode >= 1 && tip_mass_ratio >= 0.0 && std::isfinite(tip_mass_ratio));
  // Root n is the only one between (n − 1)π and nπ: at those ends the equation has the signs of
  // cos β, whatever the mass.
  const double sign = mode % 2 == 1 ? 1.0 : -1.0;
  return Bisect((mode - 1) * kPi, mode * kPi,
                [&](double beta) { return sign * FrequencyEquation(beta, tip_mass_ratio) > 0.0; });
}

double RodMassG(double length_mm, double diameter_mm, const RodMaterial& material) {
  const double volume_m3 = kPi / 4.0 * diameter_mm * diameter_mm * length_mm * 1e-9;
  return material.density_kg_m3 * volume_m3 * 1e3;
}

double CantileverFrequencyHz(double length_mm, double diameter_mm, double tip_mass_g, int mode,
                             const RodMaterial& material) {
  assert(length_mm > 0.0 && diameter_mm > 0.0 && tip_mass_g >= 0.0);
  const double beta = CantileverRoot(mode, tip_mass_g / RodMassG(length_mm, diameter_mm, material));
  const double length_m = length_mm * 1e-3;
  return beta * beta / (2.0 * kPi * length_m * length_m) * BendingStiffness(diameter_mm, material);
}

double TineLengthMm(double frequency_hz, double diameter_mm, double tip_mass_g,
                    const RodMaterial& material) {
  assert(frequency_hz > 0.0 && diameter_mm > 0.0 && tip_mass_g >= 0.0);
  const auto too_high = [&](double length_mm) {
    return CantileverFrequencyHz(length_mm, diameter_mm, tip_mass_g, 1, material) > frequency_hz;
  };
  if (!too_high(kShortestTineMm)) return 0.0;
  // The bare rod is the longest: any mass at the tip lowers its pitch.
  const double bare_mm = TineLengthForMassRatioMm(frequency_hz, diameter_mm, 0.0, material);
  return Bisect(kShortestTineMm, bare_mm * 1.001, too_high);
}

double TineLengthForMassRatioMm(double frequency_hz, double diameter_mm, double tip_mass_ratio,
                                const RodMaterial& material) {
  assert(frequency_hz > 0.0 && diameter_mm > 0.0);
  const double beta = CantileverRoot(1, tip_mass_ratio);
  return 1e3 * beta *
         std::sqrt(BendingStiffness(diameter_mm, material) / (2.0 * kPi * frequency_hz));
}

double EqualTemperamentHz(int midi) { return 440.0 * std::exp2((midi - 69) / 12.0); }

}  // namespace tinesight
