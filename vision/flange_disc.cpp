#include "vision/flange_disc.hpp"

#include <algorithm>

namespace tinesight {
namespace {

constexpr int kThicknesses = 7;  // from 0
constexpr int kRadii = 3;        // to either side of the usual one
constexpr double kThicknessStepMm = 0.4;
constexpr double kRadiusStepMm = 0.1;
// Usual flanges; common practice, no source. An edge is found a little inside of a blurred rim.
constexpr double kUsualThicknessMm = 1.2;
constexpr double kThicknessSigmaMm = 0.5;
constexpr double kUsualLargerMm = -0.05;
constexpr double kLargerSigmaMm = 0.1;
constexpr double kUnusualCost = 0.002;  // of edge strength, one sigma off
// On rendered photos of two makers discs gained 0.010 to 0.029, on the sample photos, whose rims
// show less, up to 0.010: there circles were a little better (0.066 mm sideways from two stations,
// 0.074 with discs).
constexpr double kLeastGain = 0.010;
// Plates whose faces were uneven gained up to 0.015 as thin discs, of 0.6 mm.
constexpr double kLeastThicknessMm = 0.7;

/// Mean edge strength on the outlines, each where it shows best near its circle.
double Strength(const std::vector<ShownFlange>& flanges, const FlangeDisc& disc) {
  double sum = 0.0;
  for (const ShownFlange& flange : flanges) {
    const RingOutline outline{disc.radius_mm, disc.thickness_mm * flange.shift_per_mm};
    const Eigen::Vector2d middle_mm = flange.middle_mm - 0.5 * outline.back_mm;
    sum += ScanOffsets(flange.profiles, middle_mm, outline, 0.4, 0.1).energy;
  }
  return sum / static_cast<double>(flanges.size());
}

double Unusual(const FlangeDisc& disc, double usual_radius_mm) {
  const double thickness = (disc.thickness_mm - kUsualThicknessMm) / kThicknessSigmaMm;
  const double larger = (disc.radius_mm - usual_radius_mm - kUsualLargerMm) / kLargerSigmaMm;
  return kUnusualCost * (thickness * thickness + larger * larger);
}

}  // namespace

std::optional<FlangeDisc> FindFlangeDisc(const std::vector<ShownFlange>& flanges,
                                         double usual_radius_mm) {
  if (flanges.empty()) return std::nullopt;
  FlangeDisc best;
  double best_value = -1e9;
  double best_strength = 0.0;
  double circle_strength = 0.0;
  const auto consider = [&](double thickness_mm, double radius_mm) {
    const FlangeDisc disc{thickness_mm, radius_mm};
    const double strength = Strength(flanges, disc);
    if (thickness_mm < 1e-9) circle_strength = std::max(circle_strength, strength);
    const double value = strength - Unusual(disc, usual_radius_mm);
    if (value <= best_value) return;
    best_value = value;
    best_strength = strength;
    best = disc;
  };
  for (int t = 0; t < kThicknesses; ++t) {
    for (int r = -kRadii; r <= kRadii; ++r) {
      consider(kThicknessStepMm * t, usual_radius_mm + kRadiusStepMm * r);
    }
  }
  const FlangeDisc coarse = best;
  for (const double t : {-0.5, 0.0, 0.5}) {
    for (const double r : {-0.5, 0.0, 0.5}) {
      const double thickness_mm = coarse.thickness_mm + t * kThicknessStepMm;
      if (thickness_mm > 0.0) consider(thickness_mm, coarse.radius_mm + r * kRadiusStepMm);
    }
  }
  if (best.thickness_mm < kLeastThicknessMm) return std::nullopt;
  if (best_strength < circle_strength + kLeastGain) return std::nullopt;
  return best;
}

}  // namespace tinesight
