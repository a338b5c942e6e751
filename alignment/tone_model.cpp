#include "alignment/tone_model.hpp"

#include <ceres/jet.h>

#include <algorithm>
#include <cassert>
#include <cmath>
#include <complex>
#include <limits>
#include <numbers>
#include <type_traits>
#include <vector>

#include "alignment/cantilever.hpp"

namespace tinesight {
namespace {

constexpr double kVanishedRatio = 1e-7;  // −140 dB: below, rounding is all there is

// The place in scalars that may carry derivatives.
template <typename T>
struct Place {
  T lateral;
  T height;
  T gap;
};

// ∂Φ/∂q, the formula of the header.
template <typename T>
T FluxSlope(const Place<T>& place, double pole_radius_mm, double excursion_mm) {
  const T y = place.height + excursion_mm;
  const T rho2 = place.lateral * place.lateral + y * y;
  const T gap2 = place.gap * place.gap;
  const double radius2 = pole_radius_mm * pole_radius_mm;
  const T s = rho2 + radius2 + gap2;
  const T p = s * s - 4.0 * radius2 * rho2;
  return 4.0 * pole_radius_mm * y / p * (1.0 - 4.0 * gap2 * s / p);
}

// An angle by its cosine and sine.
struct Turn {
  double cosine = 1.0;
  double sine = 0.0;

  [[nodiscard]] Turn Then(const Turn& other) const {
    return {cosine * other.cosine - sine * other.sine, cosine * other.sine + sine * other.cosine};
  }
};

Turn TurnBy(double angle) { return {std::cos(angle), std::sin(angle)}; }

// The first `count` of `points` angles that divide a period evenly, from `start`.
std::vector<Turn> Angles(double start, int points, int count) {
  const Turn step = TurnBy(2.0 * std::numbers::pi / points);
  std::vector<Turn> angles{TurnBy(start)};
  while (static_cast<int>(angles.size()) < count) angles.push_back(angles.back().Then(step));
  return angles;
}

// Points that leave less than 1e-17 of aliasing. The flux has its poles where ρ = ±R ± i g. A
// point at the height b above the real axis of q is met by q = A sin θ at |Im θ| ≥ asinh(b / A)
// (lines of equal Im θ are ellipses, and their shorter axis stands on 0), and the trapezoidal
// rule's error falls as exp(−n |Im θ|).
int PointCount(const Place<double>& place, double pole_radius_mm, double amplitude_mm) {
  constexpr double kLogOfRounding = 40.0;
  constexpr double kMostPoints = 16384.0;
  if (amplitude_mm == 0.0) return 1;
  const std::complex<double> rho(pole_radius_mm, place.gap);
  const double above = std::abs(std::sqrt(rho * rho - place.lateral * place.lateral).imag());
  const double points =
      kLogOfRounding / std::asinh(above / amplitude_mm) + 4.0 * static_cast<double>(kToneHarmonics);
  return static_cast<int>(std::ceil(std::min(points, kMostPoints)));
}

template <typename T>
struct Sums {
  T mean_square = T(0.0);
  std::array<T, kToneHarmonics> harmonic{};
};

// The voltage is antisymmetric about the turning points of the motion (and, with a second mode,
// about those of both modes together). So half of a period of the first mode, between its turning
// points, is enough, and of an odd harmonic there is only the cosine and of an even one only the
// sine: real amplitudes with a sign, smooth where they pass through zero.
template <typename T>
Sums<T> Integrate(const Place<T>& place, const Place<double>& at, double pole_radius_mm,
                  const TineStroke& stroke) {
  const double first_mm = stroke.amplitude_mm;
  const double second_mm = stroke.amplitude_mm * stroke.second_mode_share;
  const int half_points = (PointCount(at, pole_radius_mm, first_mm) + 1) / 2;
  const int second_points = PointCount(at, pole_radius_mm, std::abs(second_mm));
  const double middle = std::numbers::pi / (2.0 * half_points);
  const std::vector<Turn> first =
      Angles(middle - 0.5 * std::numbers::pi, 2 * half_points, half_points);
  const std::vector<Turn> second = Angles(0.0, second_points, second_points);
  Sums<T> sums;
  const double share = 1.0 / (static_cast<double>(half_points) * second_points);
  for (const Turn& outer : second) {
    for (const Turn& inner : first) {
      const double excursion_mm = first_mm * inner.sine + second_mm * outer.sine;
      const double speed_mm =
          first_mm * inner.cosine + second_mm * stroke.second_mode_ratio * outer.cosine;
      const T voltage = speed_mm * FluxSlope(place, pole_radius_mm, excursion_mm);
      sums.mean_square += share * voltage * voltage;
      Turn multiple;
      for (std::size_t k = 1; k <= kToneHarmonics; ++k) {
        multiple = multiple.Then(inner);
        sums.harmonic[k - 1] +=
            2.0 * share * (k % 2 == 1 ? multiple.cosine : multiple.sine) * voltage;
      }
    }
  }
  return sums;
}

Place<double> Plain(const PickupPlace& place) {
  return {place.lateral_mm, place.height_mm, place.gap_mm};
}

void AssertSound(const PickupPlace& place, double pole_radius_mm) {
  assert(place.gap_mm > 0.0 && pole_radius_mm > 0.0);
  assert(std::isfinite(place.lateral_mm + place.height_mm + place.gap_mm + pole_radius_mm));
  (void)place;
  (void)pole_radius_mm;
}

// 20 log10 |x|, not below `least`.
template <typename T>
T Decibel(const T& x, double least) {
  using std::abs;
  using std::log10;
  const T size = abs(x);
  return size > least ? T(20.0 * log10(size)) : T(20.0 * std::log10(least));
}

template <typename T>
std::array<T, 3> Figures(const Sums<T>& sums) {
  using std::sqrt;
  const T rms = sqrt(sums.mean_square);
  double least = std::numeric_limits<double>::min();
  if constexpr (std::is_same_v<T, double>) {
    least = std::max(least, kVanishedRatio * rms);
  } else {
    least = std::max(least, kVanishedRatio * rms.a);
  }
  const T first = Decibel(sums.harmonic[0], least);
  return {Decibel(rms, least), Decibel(sums.harmonic[1], least) - first,
          Decibel(sums.harmonic[2], least) - first};
}

}  // namespace

double SecondModeRatio(double tip_mass_ratio) {
  const double ratio = CantileverRoot(2, tip_mass_ratio) / CantileverRoot(1, tip_mass_ratio);
  return ratio * ratio;
}

double PickupFlux(const PickupPlace& place, double pole_radius_mm, double excursion_mm) {
  AssertSound(place, pole_radius_mm);
  const double rho = std::hypot(place.lateral_mm, place.height_mm + excursion_mm);
  const double inner = pole_radius_mm - rho, outer = pole_radius_mm + rho;
  const double gap2 = place.gap_mm * place.gap_mm;
  return inner / (inner * inner + gap2) + outer / (outer * outer + gap2);
}

double PickupFluxSlope(const PickupPlace& place, double pole_radius_mm, double excursion_mm) {
  AssertSound(place, pole_radius_mm);
  return FluxSlope(Plain(place), pole_radius_mm, excursion_mm);
}

PickupSpectrum Spectrum(const PickupPlace& place, double pole_radius_mm, const TineStroke& stroke) {
  AssertSound(place, pole_radius_mm);
  const Sums<double> sums = Integrate(Plain(place), Plain(place), pole_radius_mm, stroke);
  return {std::sqrt(sums.mean_square), sums.harmonic};
}

ToneFigures PredictTone(const PickupPlace& place, double pole_radius_mm, const TineStroke& stroke) {
  AssertSound(place, pole_radius_mm);
  using Jet = ceres::Jet<double, 3>;
  const Place<Jet> varied{Jet(place.lateral_mm, 0), Jet(place.height_mm, 1), Jet(place.gap_mm, 2)};
  const auto figures = Figures(Integrate(varied, Plain(place), pole_radius_mm, stroke));
  const auto figure = [&](std::size_t i) { return ToneFigure{figures[i].a, figures[i].v}; };
  return {figure(0), figure(1), figure(2)};
}

Eigen::Vector3d PredictToneDb(const PickupPlace& place, double pole_radius_mm,
                              const TineStroke& stroke) {
  AssertSound(place, pole_radius_mm);
  const auto figures = Figures(Integrate(Plain(place), Plain(place), pole_radius_mm, stroke));
  return {figures[0], figures[1], figures[2]};
}

}  // namespace tinesight
