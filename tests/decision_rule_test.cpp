// The decision rule against published risks. All integrals by Simpson's rule; `Accepts` asks
// Judge() itself, so that a change of the rule shows here.

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <numbers>

#include "alignment/verdict.hpp"
#include "tests/published_check.hpp"

namespace tinesight {
namespace {

double NormalDensity(double x, double mean, double u) {
  const double z = (x - mean) / u;
  return std::exp(-0.5 * z * z) / (u * std::sqrt(2.0 * std::numbers::pi));
}

double NormalBelow(double x, double mean, double u) {
  return 0.5 * std::erfc((mean - x) / (u * std::numbers::sqrt2));
}

template <typename Function>
double Integrate(double low, double high, Function f) {
  constexpr int kSteps = 20'000;  // even
  const double h = (high - low) / kSteps;
  double sum = f(low) + f(high);
  for (int i = 1; i < kSteps; ++i) sum += (i % 2 == 1 ? 4.0 : 2.0) * f(low + i * h);
  return sum * h / 3.0;
}

// The largest measured value that Judge() still proves in tolerance, found by asking it.
double AcceptanceLimit(double expanded_u, double tolerance) {
  double low = 0.0, high = 2.0 * tolerance;
  while (high - low > 1e-13) {
    const double middle = 0.5 * (low + high);
    (Judge(middle, expanded_u, tolerance) == Verdict::kInTolerance ? low : high) = middle;
  }
  return low;
}

// JCGM 106, 9.5.4: an item's quantity is gamma distributed, shape 4 and scale 1/4, the upper
// limit is 2, and it is measured with u = 0.25 (a normal distribution).
constexpr double kLimit = 2.0;
constexpr double kU = 0.25;

double GammaDensity(double x) { return std::pow(x, 3) * std::exp(-4.0 * x) * 256.0 / 6.0; }

// Share of items that are beyond the limit and still accepted, with the given guard band.
double FalseAcceptance(double guard_band) {
  const double acceptance = AcceptanceLimit(guard_band, kLimit);
  return Integrate(kLimit, 12.0, [&](double truth) {
    return GammaDensity(truth) *
           (NormalBelow(acceptance, truth, kU) - NormalBelow(-acceptance, truth, kU));
  });
}

TEST(DecisionRule, MeetsTheRisksOfJcgm106) {
  ExpectPublished({"JCGM 106:2012, 9.5.4", "out of tolerance, %"},
                  100.0 * Integrate(kLimit, 12.0, GammaDensity), 4.238, 5e-4);
  ExpectPublished({"JCGM 106:2012, 9.5.4", "false acceptance without guard band, %"},
                  100.0 * FalseAcceptance(0.0), 0.802, 5e-4);
  ExpectPublished({"JCGM 106:2012, 9.5.4", "false acceptance with its guard band, %"},
                  100.0 * FalseAcceptance(0.328), 0.100, 5e-4);
  double low = 0.0, high = 1.0;  // and the other way round: which guard band gives 0.1 %
  while (high - low > 1e-6) {
    const double middle = 0.5 * (low + high);
    (FalseAcceptance(middle) > 0.001 ? low : high) = middle;
  }
  ExpectPublished({"JCGM 106:2012, 9.5.4", "guard band for 0.1 %"}, low, 0.328, 5e-4);
  // Our guard band U = 2u = 0.5 is wider than that.
  EXPECT_LT(FalseAcceptance(2.0 * kU), 0.001);
}

// ILAC-G8:09/2019, 4.2.3: with w = U (k = 2) the chance of a false acceptance is below 2.5 % for
// every true value beyond the limit. Worst is a value just beyond it: Φ(−2) = 2.275 %.
TEST(DecisionRule, AcceptsNothingBadMoreOftenThanIlacG8Says) {
  double largest = 0.0;
  for (const double tolerance : {0.2, 0.35, 0.5, 5.0}) {
    for (const double u : {0.01, 0.05, 0.1, 0.2}) {
      const double acceptance = AcceptanceLimit(2.0 * u, tolerance);
      double worst = 0.0;
      for (const double beyond : {1e-12, 0.1 * u, u, 3.0 * u}) {
        const double truth = tolerance + beyond;
        const double accepted = Integrate(-acceptance, acceptance, [&](double measured) {
          return NormalDensity(measured, truth, u);
        });
        worst = std::max(worst, accepted);
      }
      largest = std::max(largest, worst);
      // And the guard band is no wider than it need be, where the tolerance leaves room for it.
      if (tolerance > 4.0 * u) {
        EXPECT_NEAR(worst, 0.02275, 5e-5) << tolerance << ' ' << u;
      }
    }
  }
  ExpectBelowPublished({"ILAC-G8:09/2019, 4.2.3", "false acceptance with w = U, %"},
                       100.0 * largest, 2.5);
}

// By symmetry the same holds for the call to re-center a good note.
TEST(DecisionRule, RejectsNothingGoodMoreOftenThanThat) {
  for (const double u : {0.01, 0.05, 0.1}) {
    constexpr double kTolerance = 0.5;
    double low = 0.0, high = 2.0;  // the least measured value that Judge() calls out of tolerance
    while (high - low > 1e-13) {
      const double middle = 0.5 * (low + high);
      (Judge(middle, 2.0 * u, kTolerance) == Verdict::kOutOfTolerance ? high : low) = middle;
    }
    const double rejected = Integrate(high, high + 10.0 * u, [&](double measured) {
      return NormalDensity(measured, kTolerance, u);
    });
    EXPECT_NEAR(rejected, 0.02275, 5e-5);
  }
}

}  // namespace
}  // namespace tinesight
