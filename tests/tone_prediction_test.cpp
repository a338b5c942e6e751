// The prediction with its interval: linear propagation against Monte Carlo (JCGM 101), and what
// happens where the figures bend.

#include "alignment/tone_prediction.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <random>

#include "tests/sample_visit.hpp"

namespace tinesight {
namespace {

NoteProfile Target() {
  NoteProfile target;
  target.midi = 40;
  target.tine_length_mm = 109.4;
  target.gap_mm = 1.5;
  target.height_mm = 1.1;
  return target;
}

NoteTone Predict(const PickupPlace& place, const Eigen::Vector3d& expanded_u_mm) {
  return PredictNoteTone(Target(), {}, {place, expanded_u_mm});
}

struct Drawn {
  double low, high, mean, deviation;
  std::vector<double> values;
};

// 20 000 pseudo-random draws of the medium stroke's figure `which` (0 level, 1 octave).
Drawn MonteCarlo(const PickupPlace& place, const Eigen::Vector3d& expanded_u_mm, int which) {
  constexpr std::size_t kDraws = 20'000;
  std::mt19937_64 random(101);
  std::normal_distribution<double> normal;
  const NoteProfile target = Target();
  const TineStroke stroke = StrokeOf(target, {}, Dynamic::kMedium);
  const double ideal = PredictToneDb(IdealPlace(target), PoleRadiusMm(target), stroke)(0);
  Drawn drawn{};
  for (std::size_t i = 0; i < kDraws; ++i) {
    const PickupPlace there{place.lateral_mm + 0.5 * expanded_u_mm(0) * normal(random),
                            place.height_mm + 0.5 * expanded_u_mm(1) * normal(random),
                            place.gap_mm + 0.5 * expanded_u_mm(2) * normal(random)};
    const Eigen::Vector3d db = PredictToneDb(there, PoleRadiusMm(target), stroke);
    drawn.values.push_back(which == 0 ? db(0) - ideal : db(1));
  }
  std::sort(drawn.values.begin(), drawn.values.end());
  drawn.low = drawn.values[kDraws * 2275 / 100'000];
  drawn.high = drawn.values[kDraws - kDraws * 2275 / 100'000];
  for (const double value : drawn.values) drawn.mean += value / kDraws;
  for (const double value : drawn.values) {
    drawn.deviation += (value - drawn.mean) * (value - drawn.mean) / (kDraws - 1);
  }
  drawn.deviation = std::sqrt(drawn.deviation);
  return drawn;
}

double Covered(const ToneInterval& interval, const Drawn& drawn) {
  const auto inside = std::count_if(drawn.values.begin(), drawn.values.end(), [&](double value) {
    return value >= interval.low && value <= interval.high;
  });
  return static_cast<double>(inside) / static_cast<double>(drawn.values.size());
}

TEST(ToneInterval, PropagatesLinearlyAsMonteCarloDoes) {
  const Eigen::Vector3d u(0.05, 0.06, 0.05);
  for (const PickupPlace& place : {PickupPlace{0.4, 0.9, 1.5}, PickupPlace{-0.6, 1.0, 1.7}}) {
    const NoteTone tone = Predict(place, u);
    const DynamicTone& medium = tone.Of(Dynamic::kMedium);
    int which = 0;
    for (const ToneInterval ours : {medium.level_db, medium.second_db}) {
      ASSERT_TRUE(ours.linear);
      const Drawn drawn = MonteCarlo(place, u, which++);
      const double half = 0.5 * (ours.high - ours.low);
      // 20 000 draws leave 0.5 % on a deviation and 1.2 % on the ends of the interval; JCGM 101,
      // 8.1, calls propagation validated where the ends agree within half a unit of u's second
      // digit, which is at most 5 % of u.
      EXPECT_NEAR(half, 2.0 * drawn.deviation, 0.05 * half);
      EXPECT_NEAR(ours.low, drawn.low, 0.1 * half);
      EXPECT_NEAR(ours.high, drawn.high, 0.1 * half);
      EXPECT_NEAR(Covered(ours, drawn), 0.9545, 0.01);
    }
  }
}

TEST(ToneInterval, SaysWhereLinearFailsAndStillCovers) {
  // The level at its least value over the height (the tine on the pickup's axis), and the octave
  // where it vanishes: the slope is 0 or senseless, and ± slope · u would promise the impossible.
  const Eigen::Vector3d u(0.05, 0.3, 0.1);
  const struct {
    PickupPlace place;
    int which;
  } cases[] = {{{0.0, 0.0, 1.0}, 0}, {{0.0, 1.52, 1.5}, 1}, {{0.0, 1.3, 1.5}, 1}};
  for (const auto& [place, which] : cases) {
    const NoteTone tone = Predict(place, u);
    const DynamicTone& medium = tone.Of(Dynamic::kMedium);
    const ToneInterval& ours = which == 0 ? medium.level_db : medium.second_db;
    EXPECT_FALSE(ours.linear) << place.height_mm;
    const Drawn drawn = MonteCarlo(place, u, which);
    EXPECT_NEAR(Covered(ours, drawn), 0.9545, 0.025) << place.height_mm;
    const Eigen::Vector3d& slope = which == 0 ? tone.level_db_per_mm : tone.second_db_per_mm;
    const double half = slope.cwiseProduct(u).norm();
    const ToneInterval linear{ours.value, ours.value - half, ours.value + half, true};
    EXPECT_GT(std::abs(Covered(linear, drawn) - 0.9545), 0.04) << place.height_mm;
  }
}

TEST(ToneInterval, SeesTheLateralOffsetThatTheSlopeAtZeroHides) {
  const NoteTone tone = Predict({0.0, 1.1, 1.5}, {2.5, 0.0, 0.0});
  const ToneInterval level = tone.Of(Dynamic::kMedium).level_db;
  EXPECT_EQ(tone.level_db_per_mm(0), 0.0);
  EXPECT_FALSE(level.linear);
  EXPECT_LT(level.low, -5.0);
  EXPECT_LE(level.low, level.value);
  EXPECT_GE(level.high, level.value);
}

TEST(ToneInterval, IsAPointWithoutUncertainty) {
  const NoteTone tone = Predict({0.3, 1.0, 1.4}, Eigen::Vector3d::Zero());
  for (const DynamicTone& dynamic : tone.dynamics) {
    for (const ToneInterval figure : {dynamic.level_db, dynamic.second_db, dynamic.third_db}) {
      EXPECT_TRUE(figure.linear);
      EXPECT_EQ(figure.low, figure.value);
      EXPECT_EQ(figure.high, figure.value);
    }
  }
}

TEST(NoteTone, IsZeroAtTheIdealPlaceAndGrowsWithTheStroke) {
  const NoteTone tone = Predict(IdealPlace(Target()), Eigen::Vector3d::Zero());
  for (std::size_t i = 0; i < 3; ++i) {
    EXPECT_NEAR(tone.dynamics[i].level_db.value, 0.0, 1e-12);
    EXPECT_NEAR(tone.dynamics[i].second_db.value, tone.ideal_harmonics_db[i](0), 1e-9);
    EXPECT_NEAR(tone.dynamics[i].third_db.value, tone.ideal_harmonics_db[i](1), 1e-9);
  }
  EXPECT_NEAR(tone.growth.level_db.value, 0.0, 1e-12);
  // A harder stroke is brighter: the octave comes up by what hard and soft differ in.
  EXPECT_GT(tone.growth.second_db.value, 5.0);
  EXPECT_EQ(tone.growth.second_db.value,
            tone.Of(Dynamic::kHard).second_db.value - tone.Of(Dynamic::kSoft).second_db.value);
}

TEST(NoteTone, IsFlatterBesideThePickup) {
  const NoteTone beside = Predict({1.0, 1.1, 1.5}, Eigen::Vector3d::Zero());
  EXPECT_LT(beside.Of(Dynamic::kMedium).level_db.value, -1.0);
  EXPECT_LT(beside.growth.level_db.value, -0.2);
}

TEST(StrokeOf, FollowsTheProfile) {
  NoteProfile target = Target();
  target.tine_length_mm = 100.0;
  ToneProfile tone;
  tone.amplitude_medium_mm = 0.3;
  tone.amplitude_length_exponent = 2.0;
  tone.second_mode_share = 0.04;
  const TineStroke stroke = StrokeOf(target, tone, Dynamic::kMedium);
  EXPECT_DOUBLE_EQ(stroke.amplitude_mm, 1.2);  // 0.3 mm · (100/50)²
  EXPECT_DOUBLE_EQ(stroke.second_mode_share, 0.04);
}

TEST(PredictToneChange, IsTheDifferenceAndSurerThanItsParts) {
  const MeasuredPlace now{{0.7, 0.9, 1.5}, {0.1, 0.2, 0.3}};
  const PickupPlace then{0.0, 1.1, 1.5};
  const NoteTone before = PredictNoteTone(Target(), {}, now);
  const NoteTone after = PredictNoteTone(Target(), {}, {then, now.expanded_u_mm});
  const ToneChange change = PredictToneChange(Target(), {}, now, then);
  for (const Dynamic dynamic : kDynamics) {
    const ToneInterval& level = change.Of(dynamic).level_db;
    EXPECT_NEAR(level.value, after.Of(dynamic).level_db.value - before.Of(dynamic).level_db.value,
                1e-12);
    EXPECT_LT(level.high - level.low,
              0.5 * (before.Of(dynamic).level_db.high - before.Of(dynamic).level_db.low));
  }
  const ToneChange none = PredictToneChange(Target(), {}, now, now.place);
  EXPECT_EQ(none.Of(Dynamic::kHard).second_db.low, 0.0);
  EXPECT_EQ(none.Of(Dynamic::kHard).second_db.high, 0.0);
}

TEST(PlaceOf, NeedsAllThreeFigures) {
  const NoteMeasurement note = SampleNote(40, "E2", 0.0, 0.2, 0.05, Verdict::kInTolerance);
  EXPECT_TRUE(PlaceOf(note));
  for (const auto member :
       {&NoteMeasurement::lateral_mm, &NoteMeasurement::height_mm, &NoteMeasurement::gap_mm}) {
    NoteMeasurement missing = note;
    missing.*member = std::nullopt;
    EXPECT_FALSE(PlaceOf(missing));
    missing.*member = Measured{std::nan(""), 0.1};
    EXPECT_FALSE(PlaceOf(missing));
  }
  NoteMeasurement touching = note;
  touching.gap_mm->value = -0.1;
  EXPECT_FALSE(PlaceOf(touching));
}

TEST(PredictVisitTone, LeavesOutWhatWasNotMeasured) {
  const auto tones = PredictVisitTone(SampleVisit(), SampleProfile());
  ASSERT_EQ(tones.size(), 3U);  // G2 was not measured
  EXPECT_EQ(tones[2].name, "F#2");
}

}  // namespace
}  // namespace tinesight
