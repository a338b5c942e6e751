// The tone model against the published demonstration, against its own limits and symmetries, and
// against integrations by other methods.

#include "alignment/tone_model.hpp"

#include <gtest/gtest.h>

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <complex>
#include <functional>
#include <numbers>
#include <vector>

#include "alignment/cantilever.hpp"
#include "tests/published_check.hpp"

namespace tinesight {
namespace {

constexpr double kPi = std::numbers::pi;
constexpr double kRadiusMm = 1.5;
constexpr double kRounding = 1e-12;

double Db(double ratio) { return 20.0 * std::log10(std::abs(ratio)); }

// ------------------------------------------------------------------ the published demonstration

// Harmonics of the A4 demonstration that the model's author published (simulated sound, not a
// measured instrument), measured from it, dB to the strongest. Neither the pole's radius nor the
// strokes are published with them: both are fitted below, a radius and a stroke to each of the two
// series. What is checked is that two numbers a series give all of its figures, and that the two
// radii are one.
constexpr const char* kDemonstration =
    "A. Falaize, T. Hélie, J. Sound Vib. 390 (2017), eq. 25: the author's A4 demonstration";

struct PublishedTone {
  const char* name;
  double height_mm, gap_mm;
  std::array<double, 6> db;
};
using PublishedSeries = std::array<PublishedTone, 3>;
constexpr double kUnder = -99.0;  // published as "below −99 dB"
constexpr double kStrongest = 0.0, kNotGiven = 1.0;
constexpr PublishedSeries kOffsetSeries{
    {{"height 0", 0.0, 1.5, {kUnder, kStrongest, kUnder, -33.3, kNotGiven, -66.3}},
     {"height 0.5 mm", 0.5, 1.5, {kStrongest, -5.6, -28.9, -57.6, -51.4, -71.0}},
     {"height 1.5 mm", 1.5, 1.5, {kStrongest, -47.2, -24.0, -74.8, -52.4, kNotGiven}}}};
constexpr PublishedSeries kGapSeries{
    {{"gap 0.5 mm", 0.5, 0.5, {-2.3, kStrongest, -0.8, -22.2, -5.1, -5.4}},
     {"gap 1.5 mm", 0.5, 1.5, {-2.6, kStrongest, -22.8, -20.4, -21.0, -44.0}},
     {"gap 3 mm", 0.5, 3.0, {-2.8, kStrongest, -15.6, -22.7, -45.2, -52.6}}}};

bool IsFigure(double published) {
  return published != kUnder && published != kStrongest && published != kNotGiven;
}

std::array<double, 6> HarmonicsDb(const PublishedTone& tone, double radius_mm, double stroke_mm) {
  const PickupSpectrum spectrum =
      Spectrum({0.0, tone.height_mm, tone.gap_mm}, radius_mm, {stroke_mm});
  double strongest = 0.0;
  for (const double amplitude : spectrum.harmonic) {
    strongest = std::max(strongest, std::abs(amplitude));
  }
  std::array<double, 6> db{};
  for (std::size_t i = 0; i < 6; ++i) {
    db[i] = std::max(Db(spectrum.harmonic[i] / strongest), -400.0);
  }
  return db;
}

// Ours minus published, dB, of all figures of a series.
Eigen::VectorXd Misfit(const PublishedSeries& series, const Eigen::Vector2d& radius_and_stroke_mm) {
  std::vector<double> misfit;
  for (const PublishedTone& tone : series) {
    const auto db = HarmonicsDb(tone, radius_and_stroke_mm(0), radius_and_stroke_mm(1));
    for (std::size_t i = 0; i < 6; ++i) {
      if (IsFigure(tone.db[i])) misfit.push_back(db[i] - tone.db[i]);
    }
  }
  return Eigen::Map<Eigen::VectorXd>(misfit.data(), static_cast<Eigen::Index>(misfit.size()));
}

struct FittedPole {
  Eigen::Vector2d radius_and_stroke_mm;
  double u_radius_mm;  // standard uncertainty, from the misfit's scatter
};

// Least squares by Gauss and Newton, from the best stroke on a grid at 1.5 mm; a step that does
// not help is halved.
FittedPole FitPole(const PublishedSeries& series) {
  Eigen::Vector2d best(1.5, 0.2);
  for (double stroke_mm = 0.2; stroke_mm < 2.0; stroke_mm += 0.02) {
    const Eigen::Vector2d here(1.5, stroke_mm);
    if (Misfit(series, here).squaredNorm() < Misfit(series, best).squaredNorm()) best = here;
  }
  Eigen::MatrixXd slopes(Misfit(series, best).size(), 2);
  for (int round = 0; round < 50; ++round) {
    constexpr double kStep_mm = 1e-6;
    for (int i = 0; i < 2; ++i) {
      const Eigen::Vector2d step = kStep_mm * Eigen::Vector2d::Unit(i);
      slopes.col(i) =
          (Misfit(series, best + step) - Misfit(series, best - step)) / (2.0 * kStep_mm);
    }
    const Eigen::VectorXd misfit = Misfit(series, best);
    Eigen::Vector2d step = -slopes.colPivHouseholderQr().solve(misfit);
    while (step.norm() > 1e-9 && Misfit(series, best + step).norm() > misfit.norm()) step *= 0.5;
    if (step.norm() <= 1e-9) break;
    best += step;
  }
  const Eigen::VectorXd misfit = Misfit(series, best);
  const double variance = misfit.squaredNorm() / static_cast<double>(misfit.size() - 2);
  const Eigen::Matrix2d covariance = variance * (slopes.transpose() * slopes).inverse();
  return {best, std::sqrt(covariance(0, 0))};
}

TEST(PublishedTone, ReproducesTheHarmonicsOfTheDemonstration) {
  for (const PublishedSeries* series : {&kOffsetSeries, &kGapSeries}) {
    const Eigen::Vector2d fitted = FitPole(*series).radius_and_stroke_mm;
    for (const PublishedTone& tone : *series) {
      const auto ours = HarmonicsDb(tone, fitted(0), fitted(1));
      for (std::size_t i = 0; i < 6; ++i) {
        const PublishedCheck check{kDemonstration, std::string(tone.name) + ", harmonic " +
                                                       std::to_string(i + 1) +
                                                       ", dB (radius and stroke fitted)"};
        if (tone.db[i] == kUnder) ExpectBelowPublished(check, ours[i], kUnder);
        if (IsFigure(tone.db[i])) ExpectPublished(check, ours[i], tone.db[i], 0.5);
      }
    }
  }
}

// The series are two recordings of one pickup: the radii fitted to them must agree within their
// uncertainty, and with the 1.5 mm that their author's tables are read with.
TEST(PublishedTone, FitsOnePoleToBothSeries) {
  const FittedPole offset = FitPole(kOffsetSeries), gap = FitPole(kGapSeries);
  EXPECT_LE(std::abs(offset.radius_and_stroke_mm(0) - gap.radius_and_stroke_mm(0)),
            2.0 * std::hypot(offset.u_radius_mm, gap.u_radius_mm));
  ExpectPublished({kDemonstration, "pole radius fitted to the heights, mm", CheckKind::kRecomputed},
                  offset.radius_and_stroke_mm(0), 1.5, 0.005);
  ExpectPublished({kDemonstration, "pole radius fitted to the gaps, mm", CheckKind::kRecomputed},
                  gap.radius_and_stroke_mm(0), 1.5, 0.005);
  ExpectPublished({kDemonstration, "stroke fitted to the heights, mm", CheckKind::kRecomputed},
                  offset.radius_and_stroke_mm(1), 0.4705, 0.0005);
  ExpectPublished({kDemonstration, "stroke fitted to the gaps, mm", CheckKind::kRecomputed},
                  gap.radius_and_stroke_mm(1), 1.378, 0.01);
}

// With the radius and the strokes that its author's tables are read with. Whether the strongest
// harmonic, 0 dB by definition, was counted there isn't said: with it the heights have 0.095 dB and
// the gaps 0.233, without it 0.107 and 0.256.
TEST(PublishedTone, MissesTheDemonstrationByNoMoreThanItsReadingDoes) {
  const auto rms_db = [](const PublishedSeries& series, double stroke_mm) {
    const Eigen::VectorXd misfit = Misfit(series, {kRadiusMm, stroke_mm});
    return std::sqrt(misfit.squaredNorm() / static_cast<double>(misfit.size()));
  };
  ExpectPublished(
      {kDemonstration, "heights, misfit of all figures, dB RMS", CheckKind::kRecomputed},
      rms_db(kOffsetSeries, 0.4705), 0.09, 0.02);
  ExpectPublished({kDemonstration, "gaps, misfit of all figures, dB RMS", CheckKind::kRecomputed},
                  rms_db(kGapSeries, 1.378), 0.26, 0.02);
}

// What the radius rounded to 1.5 mm gives: one figure, beside a minimum of that harmonic, is then
// over 0.5 dB off (0.54). It moves by more than 1 dB for 0.01 mm of radius, so that two digits of
// radius can't say it better; every other figure of both series stays within 0.5 dB.
TEST(PublishedTone, RoundedRadiusMissesOneHarmonicBesideItsMinimum) {
  constexpr double kGapStrokeMm = 1.378;
  const PublishedTone& beside_minimum = kGapSeries[1];
  constexpr std::size_t kThird = 2;
  const double rounded = HarmonicsDb(beside_minimum, kRadiusMm, kGapStrokeMm)[kThird];
  const double moved = HarmonicsDb(beside_minimum, kRadiusMm + 0.01, kGapStrokeMm)[kThird];
  EXPECT_GT(std::abs(moved - rounded), 1.0);
  const double published = beside_minimum.db[kThird];
  RecordCheck({kDemonstration, "gap 1.5 mm, harmonic 3, dB (radius rounded to 1.5 mm)"},
              CheckDigits(published, 15), CheckDigits(rounded, 4),
              CheckDigits(rounded - published, 2), "not held: see the next table");
  int over = 0;
  const auto count = [&](const PublishedSeries& series, double stroke_mm) {
    for (const double misfit : Misfit(series, {kRadiusMm, stroke_mm})) {
      over += std::abs(misfit) > 0.5 ? 1 : 0;
    }
  };
  count(kOffsetSeries, 0.4705);
  count(kGapSeries, kGapStrokeMm);
  EXPECT_EQ(over, 1);
}

TEST(PublishedTone, LosesTheOctaveWhereTheSlopeIsGreatest) {
  // With the demonstration's gap and a small stroke; both found by search.
  const TineStroke stroke{0.05};
  double steepest_mm = 0.0, purest_mm = 0.0, slope = 0.0, octave = 1.0;
  for (double height_mm = 0.5; height_mm < 2.5; height_mm += 0.001) {
    const double here = std::abs(PickupFluxSlope({0.0, height_mm, 1.5}, kRadiusMm, 0.0));
    const PickupSpectrum spectrum = Spectrum({0.0, height_mm, 1.5}, kRadiusMm, stroke);
    const double ratio = std::abs(spectrum.harmonic[1] / spectrum.harmonic[0]);
    if (here > slope) slope = here, steepest_mm = height_mm;
    if (ratio < octave) octave = ratio, purest_mm = height_mm;
  }
  ExpectPublished(
      {kDemonstration, "height of the vanishing second harmonic, mm", CheckKind::kRecomputed},
      purest_mm, 1.49, 0.01);
  EXPECT_NEAR(steepest_mm, purest_mm, 0.003);
  EXPECT_LT(octave, 1e-3);
}

// Eq. 25 as it is printed, against the joined fractions of the header.
TEST(ToneModel, IsThePublishedLawOnTheAxis) {
  for (const double gap : {0.3, 0.8, 1.5, 4.0}) {
    for (const double height : {-2.0, 0.0, 0.7, 1.5}) {
      for (const double q : {-3.0, -0.4, 0.0, 0.01, 2.0}) {
        const auto f = [&](double sign) {
          const double side = q + sign * kRadiusMm + height;
          return side * side + gap * gap;
        };
        const double f1 = f(-1.0), f2 = f(1.0), twice = 2.0 * gap * gap;
        const double printed = (f1 - twice) / (f1 * f1) - (f2 - twice) / (f2 * f2);
        EXPECT_NEAR(PickupFluxSlope({0.0, height, gap}, kRadiusMm, q), printed,
                    1e-13 * (1.0 / f1 + 1.0 / f2))
            << gap << ' ' << height << ' ' << q;
      }
    }
  }
}

// ------------------------------------------------------------------------ limits and symmetries

TEST(ToneModel, LosesTheOddHarmonicsOnTheAxis) {
  for (const double amplitude : {0.1, 0.47, 2.0}) {
    for (const double lateral : {0.0, 0.6}) {
      const PickupSpectrum s = Spectrum({lateral, 0.0, 1.5}, kRadiusMm, {amplitude});
      for (const std::size_t odd : {0U, 2U, 4U}) EXPECT_LE(std::abs(s.harmonic[odd]), kRounding);
      // What there is sounds an octave up: nearly all of the power is in the second harmonic.
      EXPECT_GT(s.harmonic[1] * s.harmonic[1] / 2.0, 0.85 * s.rms * s.rms) << amplitude;
    }
  }
}

TEST(ToneModel, BringsTheFundamentalBackAsTheTineRises) {
  double last = -200.0;
  for (double height = 0.0; height <= 1.45; height += 0.1) {
    const Eigen::Vector3d db = PredictToneDb({0.0, height, 1.5}, kRadiusMm, {0.4705});
    const double fundamental_to_octave = -db(1);
    EXPECT_GT(fundamental_to_octave, last) << height;
    last = fundamental_to_octave;
  }
  EXPECT_GT(last, 25.0);
}

TEST(ToneModel, IsLouderAndBrighterCloser) {
  // At the heights and gaps of the workshop's middle and low notes. Farther off the place without
  // an octave wanders outward with the gap, and a tine at 1.2 mm gets more of the octave again.
  for (const double height : {0.9, 1.2}) {
    double level = 1e9, upper = 1e9;
    for (double gap = 1.0; gap <= 2.3; gap += 0.25) {
      const PickupSpectrum s = Spectrum({0.0, height, gap}, kRadiusMm, {0.8});
      const double share = 1.0 - s.harmonic[0] * s.harmonic[0] / 2.0 / (s.rms * s.rms);
      EXPECT_LT(s.rms, level) << gap;
      EXPECT_LT(share, upper) << gap;  // power that is not in the fundamental
      level = s.rms;
      upper = share;
    }
  }
}

TEST(ToneModel, IsQuieterBesideThePickupAndAnswersLessToTheTouch) {
  for (const double gap : {1.45, 1.5, 1.6}) {
    double level[3] = {1e9, 1e9, 1e9}, growth = 1e9;
    for (double lateral = 0.0; lateral <= 1.3; lateral += 0.25) {
      const std::array<double, 3> amplitudes{0.3, 0.8, 1.6};
      double now[3];
      for (std::size_t i = 0; i < 3; ++i) {
        now[i] = PredictToneDb({lateral, 1.2, gap}, kRadiusMm, {amplitudes[i]})(0);
        EXPECT_LT(now[i], level[i]) << lateral;
        level[i] = now[i];
      }
      EXPECT_LT(now[2] - now[0], growth) << lateral;  // dB from soft to hard
      growth = now[2] - now[0];
    }
    EXPECT_LT(level[1], PredictToneDb({0.0, 1.2, gap}, kRadiusMm, {0.8})(0) - 3.0);
  }
}

TEST(ToneModel, KeepsItsSymmetries) {
  const TineStroke stroke{0.7, 0.05, 6.3};
  for (const double lateral : {0.0, 0.4, 1.3}) {
    for (const double height : {0.3, 1.1}) {
      const PickupSpectrum here = Spectrum({lateral, height, 1.2}, kRadiusMm, stroke);
      const PickupSpectrum mirrored = Spectrum({-lateral, height, 1.2}, kRadiusMm, stroke);
      const PickupSpectrum below = Spectrum({lateral, -height, 1.2}, kRadiusMm, stroke);
      // Twice as large in everything is the same picture: the flux has 1/mm, a voltage per ω too.
      const PickupSpectrum twice =
          Spectrum({2.0 * lateral, 2.0 * height, 2.4}, 2.0 * kRadiusMm, {1.4, 0.05, 6.3});
      EXPECT_NEAR(mirrored.rms, here.rms, kRounding);
      EXPECT_NEAR(below.rms, here.rms, kRounding);
      EXPECT_NEAR(2.0 * twice.rms, here.rms, kRounding);
      for (std::size_t i = 0; i < kToneHarmonics; ++i) {
        const double sign = i % 2 == 0 ? -1.0 : 1.0;  // odd harmonics turn round below the center
        EXPECT_NEAR(mirrored.harmonic[i], here.harmonic[i], kRounding);
        EXPECT_NEAR(below.harmonic[i], sign * here.harmonic[i], kRounding);
        EXPECT_NEAR(2.0 * twice.harmonic[i], here.harmonic[i], kRounding);
      }
    }
  }
}

// A small stroke meets a straight line and then a parabola: H1 = A Φ', H2 = A² Φ''/2.
TEST(ToneModel, BecomesLinearForASmallStroke) {
  const PickupPlace place{0.3, 0.9, 1.4};
  const double h = 1e-4;
  const double slope = PickupFluxSlope(place, kRadiusMm, 0.0);
  const double bend =
      (PickupFluxSlope(place, kRadiusMm, h) - PickupFluxSlope(place, kRadiusMm, -h)) / (2.0 * h);
  const double amplitude = 1e-4;
  const PickupSpectrum s = Spectrum(place, kRadiusMm, {amplitude});
  EXPECT_NEAR(s.harmonic[0] / amplitude, slope, 1e-7);
  EXPECT_NEAR(s.harmonic[1] / (amplitude * amplitude / 2.0), bend, 1e-5);
  EXPECT_NEAR(s.rms, std::abs(s.harmonic[0]) / std::numbers::sqrt2, 1e-10);
}

// ------------------------------------------------------------------------- other ways to the same

// Residues: with w = h ± R + i g the flux on the axis is Re[1/(w₊ + q) − 1/(w₋ + q)], and 1/(w +
// A sin θ) = (2i z/A)/((z − ζ)(z + 1/ζ)) with z = exp(iθ) has the Fourier coefficient
// (2i/A) ζ^(m+1)/(1 + ζ²) at −m, where ζ is that root of z² + 2i w z/A − 1 within the unit circle.
double HarmonicByResidues(const PickupPlace& place, double amplitude, int m) {
  using Complex = std::complex<double>;
  const Complex i(0.0, 1.0);
  const auto coefficient = [&](double side) {
    const Complex w(place.height_mm + side, place.gap_mm);
    const Complex root = std::sqrt(1.0 - w * w / (amplitude * amplitude));
    Complex outside = -i * w / amplitude + root;
    if (std::abs(outside) < 1.0) outside = -i * w / amplitude - root;
    const Complex zeta = -1.0 / outside;  // their product is −1
    return 2.0 * i / amplitude * std::pow(zeta, m + 1) / (1.0 + zeta * zeta);
  };
  const Complex c = coefficient(kRadiusMm) - coefficient(-kRadiusMm);
  // Re of a function whose coefficients at m and −m differ by (−1)^m.
  return 2.0 * m * std::abs(m % 2 == 0 ? c.real() : c.imag());
}

TEST(ToneModel, AgreesWithTheResiduesToRounding) {
  for (const double gap : {0.3, 0.8, 1.6, 4.0}) {
    for (const double height : {0.0, 0.5, 1.2, -1.7}) {
      for (const double amplitude : {0.05, 0.5, 3.0}) {
        const PickupPlace place{0.0, height, gap};
        const PickupSpectrum s = Spectrum(place, kRadiusMm, {amplitude});
        double power = 0.0;
        int vanished = 0;  // one after the other: single ones vanish by symmetry
        for (int m = 1; m <= 3000 && vanished < 4; ++m) {
          const double term = HarmonicByResidues(place, amplitude, m);
          power += term * term / 2.0;
          vanished = term < 1e-17 ? vanished + 1 : 0;
          if (m > static_cast<int>(kToneHarmonics)) continue;
          EXPECT_NEAR(std::abs(s.harmonic[static_cast<std::size_t>(m - 1)]), term,
                      kRounding * s.rms + 1e-15)
              << gap << ' ' << height << ' ' << amplitude << ' ' << m;
        }
        EXPECT_NEAR(s.rms, std::sqrt(power), kRounding * s.rms);
      }
    }
  }
}

// ∫ f over [a, b], adaptive Simpson.
double AdaptiveIntegral(const std::function<double(double)>& f, double a, double b, double whole,
                        double tolerance, int depth = 0) {
  const auto simpson = [&](double from, double to) {
    return (to - from) / 6.0 * (f(from) + 4.0 * f(0.5 * (from + to)) + f(to));
  };
  const double middle = 0.5 * (a + b);
  const double left = simpson(a, middle), right = simpson(middle, b);
  if (depth > 30 || std::abs(left + right - whole) < 15.0 * tolerance) {
    return left + right + (left + right - whole) / 15.0;
  }
  return AdaptiveIntegral(f, a, middle, left, tolerance / 2.0, depth + 1) +
         AdaptiveIntegral(f, middle, b, right, tolerance / 2.0, depth + 1);
}

// The flux as the field of the dipole summed over the pole's diameter, which is turned to where the
// tip stands; nothing of the closed formula enters.
double FluxBySummingTheField(const PickupPlace& place, double excursion_mm) {
  const double y = place.height_mm + excursion_mm;
  const double along = std::sqrt(place.lateral_mm * place.lateral_mm + y * y);
  const double gap2 = place.gap_mm * place.gap_mm;
  const auto field = [&](double s) {
    const double away2 = (s - along) * (s - along);
    return (gap2 - away2) / ((gap2 + away2) * (gap2 + away2));
  };
  return AdaptiveIntegral(field, -kRadiusMm, kRadiusMm, 1e300, 1e-9);
}

struct IndependentTone {
  double rms;
  std::array<double, 3> harmonic;
};

// One period in time, the voltage by central differences of the flux, the harmonics by a plain
// discrete Fourier transform.
IndependentTone IntegrateIndependently(const PickupPlace& place, double amplitude,
                                       const std::function<double(double)>& flux) {
  constexpr int kSteps = 400;
  std::vector<double> phi(kSteps);
  (void)place;
  for (int i = 0; i < kSteps; ++i) {
    phi[static_cast<std::size_t>(i)] = flux(amplitude * std::sin(2.0 * kPi * i / kSteps));
  }
  const auto at = [&](int i) { return phi[static_cast<std::size_t>((i + kSteps) % kSteps)]; };
  IndependentTone tone{0.0, {}};
  std::array<std::complex<double>, 3> sums{};
  for (int i = 0; i < kSteps; ++i) {
    const double step = 2.0 * kPi / kSteps;
    const double voltage =
        (8.0 * (at(i + 1) - at(i - 1)) - (at(i + 2) - at(i - 2))) / (12.0 * step);
    tone.rms += voltage * voltage / kSteps;
    for (int k = 1; k <= 3; ++k) {
      sums[static_cast<std::size_t>(k - 1)] +=
          voltage * std::polar(2.0 / kSteps, -2.0 * kPi * k * i / kSteps);
    }
  }
  tone.rms = std::sqrt(tone.rms);
  for (std::size_t k = 0; k < 3; ++k) tone.harmonic[k] = std::abs(sums[k]);
  return tone;
}

TEST(ToneModel, AgreesWithAnIndependentIntegrationToOnePercent) {
  for (const double lateral : {0.0, 0.4, -1.2}) {
    for (const double height : {0.1, 0.8, 1.2, -0.6}) {
      for (const double gap : {0.5, 1.0, 1.6, 3.0}) {
        for (const double amplitude : {0.1, 0.5, 1.5, 3.0}) {
          const PickupPlace place{lateral, height, gap};
          const PickupSpectrum ours = Spectrum(place, kRadiusMm, {amplitude});
          const IndependentTone other = IntegrateIndependently(
              place, amplitude, [&](double q) { return FluxBySummingTheField(place, q); });
          EXPECT_NEAR(ours.rms, other.rms, 0.01 * other.rms);
          for (std::size_t k = 0; k < 3; ++k) {
            // 1 % of the harmonic; of one that is 60 dB down, 1 % of that floor.
            const double scale = std::max(other.harmonic[k], 1e-3 * other.rms);
            EXPECT_NEAR(std::abs(ours.harmonic[k]), other.harmonic[k], 0.01 * scale)
                << lateral << ' ' << height << ' ' << gap << ' ' << amplitude << " H" << k + 1;
          }
        }
      }
    }
  }
}

// The lateral term is a derivation from the plane's law. How far is it from space? A point dipole
// along z before a disc of the pole's radius, its flux summed over the disc: what a lateral offset
// does to the level must agree where the pickup is not very close.
double FluxThroughADisc(const PickupPlace& place, double excursion_mm) {
  constexpr int kRings = 12, kSectors = 24;
  const double y = place.height_mm + excursion_mm, gap2 = place.gap_mm * place.gap_mm;
  double sum = 0.0;
  for (int ring = 0; ring < kRings; ++ring) {
    const double r = kRadiusMm * std::sqrt((ring + 0.5) / kRings);
    for (int sector = 0; sector < kSectors; ++sector) {
      const double angle = 2.0 * kPi * (sector + 0.5) / kSectors;
      const double dx = place.lateral_mm - r * std::cos(angle), dy = y - r * std::sin(angle);
      const double away2 = dx * dx + dy * dy;
      const double far2 = away2 + gap2;
      sum += (2.0 * gap2 - away2) / (far2 * far2 * std::sqrt(far2));
    }
  }
  return sum;
}

TEST(ToneModel, LateralTermIsNearADipoleBeforeADisc) {
  double worst = 0.0;
  for (const double gap : {1.0, 1.3, 1.6, 2.5}) {
    for (const double height : {0.8, 1.0, 1.2}) {
      for (const double amplitude : {0.3, 0.8, 1.6}) {
        const auto level = [&](double lateral, bool disc) {
          const PickupPlace place{lateral, height, gap};
          if (!disc) return Db(Spectrum(place, kRadiusMm, {amplitude}).rms);
          return Db(IntegrateIndependently(place, amplitude, [&](double q) {
                      return FluxThroughADisc(place, q);
                    }).rms);
        };
        for (const double lateral : {0.5, 1.0}) {
          const double ours = level(lateral, false) - level(0.0, false);
          const double disc = level(lateral, true) - level(0.0, true);
          worst = std::max(worst, std::abs(ours - disc));
        }
      }
    }
  }
  EXPECT_LE(worst, 2.0);
  RecordProperty("worst_difference_mdb", static_cast<int>(1000.0 * worst));
  std::cout << "lateral term against a dipole before a disc: at most " << worst << " dB\n";
}

// --------------------------------------------------------------------------- slopes, second mode

TEST(ToneModel, GivesTheSlopesOfItsFigures) {
  const double h = 1e-5;
  for (const PickupPlace& place :
       {PickupPlace{0.3, 1.1, 1.4}, PickupPlace{-0.8, 0.4, 0.9}, PickupPlace{0.0, 0.0, 2.0}}) {
    const TineStroke stroke{0.9, 0.03, 6.3};
    const ToneFigures tone = PredictTone(place, kRadiusMm, stroke);
    const Eigen::Vector3d plain = PredictToneDb(place, kRadiusMm, stroke);
    EXPECT_NEAR(tone.level.db, plain(0), 1e-10);
    EXPECT_NEAR(tone.second.db, plain(1), 1e-9);
    EXPECT_NEAR(tone.third.db, plain(2), 1e-9);
    for (int axis = 0; axis < 3; ++axis) {
      const auto moved = [&](double by) {
        PickupPlace other = place;
        (axis == 0 ? other.lateral_mm : axis == 1 ? other.height_mm : other.gap_mm) += by;
        return PredictToneDb(other, kRadiusMm, stroke);
      };
      const Eigen::Vector3d slope = (moved(h) - moved(-h)) / (2.0 * h);
      EXPECT_NEAR(tone.level.per_mm(axis), slope(0), 1e-5);
      if (place.height_mm == 0.0) continue;  // no fundamental to compare with
      EXPECT_NEAR(tone.second.per_mm(axis), slope(1), 1e-4);
      EXPECT_NEAR(tone.third.per_mm(axis), slope(2), 1e-4);
    }
  }
}

TEST(ToneModel, HasTheSecondModeOfTheCantilever) {
  ExpectPublished({"W. T. Thomson, Theory of Vibration, app. D", "second mode to the first"},
                  SecondModeRatio(0.0), 6.2669, 5e-5);
  EXPECT_NEAR(SecondModeRatio(kDefaultTipMassRatio), TineStroke{}.second_mode_ratio, 0.005);
}

// With a second mode at an irrational ratio the voltage never repeats: 2000 periods in time under a
// Hann window stand for always.
TEST(ToneModel, AddsTheSecondModeAsALongRecordingShowsIt) {
  const PickupPlace place{0.2, 1.0, 1.3};
  const TineStroke stroke{0.8, 0.08, 6.2669};
  constexpr int kPeriods = 2000, kPerPeriod = 128, kSteps = kPeriods * kPerPeriod;
  double power = 0.0, weights = 0.0;
  std::array<std::complex<double>, 3> sums{};
  const auto flux = [&](double phase) {
    return PickupFlux(
        place, kRadiusMm,
        stroke.amplitude_mm * (std::sin(phase) + stroke.second_mode_share *
                                                     std::sin(stroke.second_mode_ratio * phase)));
  };
  for (int i = 0; i < kSteps; ++i) {
    const double phase = 2.0 * kPi * i / kPerPeriod;
    const double voltage = (flux(phase + 1e-5) - flux(phase - 1e-5)) / 2e-5;
    const double window = 1.0 - std::cos(2.0 * kPi * (i + 0.5) / kSteps);
    weights += window;
    power += window * voltage * voltage;
    for (int k = 1; k <= 3; ++k) {
      sums[static_cast<std::size_t>(k - 1)] += 2.0 * window * voltage * std::polar(1.0, -k * phase);
    }
  }
  const PickupSpectrum ours = Spectrum(place, kRadiusMm, stroke);
  EXPECT_NEAR(ours.rms, std::sqrt(power / weights), 1e-3 * ours.rms);
  for (std::size_t k = 0; k < 3; ++k) {
    EXPECT_NEAR(std::abs(ours.harmonic[k]), std::abs(sums[k]) / weights, 1e-3 * ours.rms) << k + 1;
  }
  EXPECT_GT(ours.rms, 1.02 * Spectrum(place, kRadiusMm, {0.8}).rms);  // it can be heard at all
}

}  // namespace
}  // namespace tinesight
