#include "alignment/verdict.hpp"

#include <gtest/gtest.h>

#include <limits>

#include "tests/published_check.hpp"
namespace tinesight {
namespace {

constexpr double kNaN = std::numeric_limits<double>::quiet_NaN();
constexpr double kJustMore = 1e-15;  // a few units in the last place of 0.5
constexpr double kInfinity = std::numeric_limits<double>::infinity();

struct Row {
  double deviation;
  double expanded_u;
  double tolerance;
  Verdict expected;
};

// ISO 14253-1: conformity is proven in the zone reduced by U, non-conformity outside of the zone
// extended by U, and nothing between. All numbers here are exact in binary, so that the edges
// are tested and not the rounding.
TEST(Judge, FollowsTheGuardBandToItsEdges) {
  const Row rows[] = {
      {0.0, 0.125, 0.5, Verdict::kInTolerance},
      {0.375, 0.125, 0.5, Verdict::kInTolerance},  // the limit itself belongs to the zone
      {-0.375, 0.125, 0.5, Verdict::kInTolerance},
      {0.375 + kJustMore, 0.125, 0.5, Verdict::kUncertain},
      {0.5, 0.125, 0.5, Verdict::kUncertain},
      {0.625, 0.125, 0.5, Verdict::kUncertain},  // may still be exactly at the limit
      {-0.625, 0.125, 0.5, Verdict::kUncertain},
      {0.625 + kJustMore, 0.125, 0.5, Verdict::kOutOfTolerance},
      {-0.75, 0.125, 0.5, Verdict::kOutOfTolerance},
      {0.5, 0.0, 0.5, Verdict::kInTolerance},  // without uncertainty nothing is uncertain
      {0.5 + kJustMore, 0.0, 0.5, Verdict::kOutOfTolerance},
      {0.0, 0.5, 0.5, Verdict::kInTolerance},
      {0.0, 0.75, 0.5, Verdict::kUncertain},  // U above the tolerance can prove no fit
      {1.5, 0.75, 0.5, Verdict::kOutOfTolerance},
  };
  for (const Row& row : rows) {
    EXPECT_EQ(Judge(row.deviation, row.expanded_u, row.tolerance), row.expected)
        << row.deviation << " ± " << row.expanded_u << " in " << row.tolerance;
  }
}

// The width of the guard band, found by asking: the largest deviation that is proven in tolerance.
TEST(Judge, HasTheGuardBandOfItsEdition) {
  double low = 0.0, high = 1.0;
  while (high - low > 1e-12) {
    const double middle = 0.5 * (low + high);
    (Judge(middle, 0.2, 1.0) == Verdict::kInTolerance ? low : high) = middle;
  }
  ExpectPublished({"ISO 14253-1:2013 (the 2017 edition: 1.65 u by default)",
                   "guard band in standard uncertainties", CheckKind::kFromMemory},
                  (1.0 - low) / 0.1, 2.0, 1e-9);
}

TEST(Judge, CallsNonsenseNotMeasured) {
  const Row rows[] = {
      {kNaN, 0.1, 0.5, {}},      {0.0, kNaN, 0.5, {}},      {0.0, 0.1, kNaN, {}},
      {0.0, -0.1, 0.5, {}},      {0.0, 0.1, 0.0, {}},       {0.0, 0.1, -0.5, {}},
      {kInfinity, 0.1, 0.5, {}}, {0.0, kInfinity, 0.5, {}}, {0.0, 0.1, kInfinity, {}}};
  for (const Row& row : rows) {
    EXPECT_EQ(Judge(row.deviation, row.expanded_u, row.tolerance), Verdict::kNotMeasured)
        << row.deviation << " ± " << row.expanded_u << " in " << row.tolerance;
  }
}

TEST(VerdictWord, SpeaksTheTrade) {
  EXPECT_EQ(VerdictWord(Verdict::kInTolerance, Quantity::kLateral), "centered");
  EXPECT_EQ(VerdictWord(Verdict::kOutOfTolerance, Quantity::kLateral), "re-center");
  for (const Quantity quantity : {Quantity::kHeight, Quantity::kGap}) {
    EXPECT_EQ(VerdictWord(Verdict::kInTolerance, quantity), "in range");
    EXPECT_EQ(VerdictWord(Verdict::kOutOfTolerance, quantity), "adjust");
  }
  for (const Quantity quantity : {Quantity::kLateral, Quantity::kHeight, Quantity::kGap}) {
    EXPECT_EQ(VerdictWord(Verdict::kUncertain, quantity), "uncertain");
    EXPECT_EQ(VerdictWord(Verdict::kNotMeasured, quantity), "not measured");
  }
}

}  // namespace
}  // namespace tinesight
