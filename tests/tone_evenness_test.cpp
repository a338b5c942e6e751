// Which notes stick out, which are off unheard, the words for it, and where to set them instead.

#include "alignment/tone_evenness.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

#include "alignment/note_name.hpp"
#include "alignment/tone_target.hpp"

namespace tinesight {
namespace {

using ::testing::AllOf;
using ::testing::HasSubstr;
using ::testing::Not;

InstrumentProfile Instrument() {
  InstrumentProfile profile;
  for (int midi = 40; midi <= 60; ++midi) {
    NoteProfile note;
    note.midi = midi;
    note.tine_length_mm = 109.4 * std::pow(0.97, midi - 40);
    note.gap_mm = 1.5;
    note.height_mm = 1.0 - 0.005 * (midi - 40);
    profile.notes.push_back(note);
  }
  return profile;
}

/// Every note at its ideal place, with small uncertainties.
VisitMeasurement EvenVisit(const InstrumentProfile& profile, double u_mm = 0.02) {
  VisitMeasurement visit;
  for (const NoteProfile& target : profile.notes) {
    NoteMeasurement note;
    note.midi = target.midi;
    note.name = NoteName(target.midi);
    note.lateral_mm = Measured{0.0, u_mm};
    note.height_mm = Measured{target.height_mm, u_mm};
    note.gap_mm = Measured{target.gap_mm, u_mm};
    visit.notes.push_back(note);
  }
  return visit;
}

NoteMeasurement& Note(VisitMeasurement& visit, int midi) {
  return visit.notes[static_cast<std::size_t>(midi - visit.notes.front().midi)];
}

TEST(Evenness, HearsNothingWhereEveryNoteStandsWell) {
  const InstrumentProfile profile = Instrument();
  const EvennessChart chart = Evenness(EvenVisit(profile), profile);
  ASSERT_EQ(chart.notes.size(), 21U);
  for (const NoteEvenness& note : chart.notes) {
    EXPECT_EQ(note.heard, ToneHeard::kNo) << note.sentence;
    EXPECT_TRUE(note.within_tolerance);
    EXPECT_LT(note.cost, 0.3);
    EXPECT_THAT(note.sentence, HasSubstr("blends in"));
  }
}

TEST(Evenness, HearsANoteThatSticksOutThoughWithinTolerance) {
  const InstrumentProfile profile = Instrument();
  VisitMeasurement visit = EvenVisit(profile);
  Note(visit, 50).height_mm->value -= 0.45;  // within 0.5
  const EvennessChart chart = Evenness(visit, profile);
  const NoteEvenness& note = *chart.Find(50);
  EXPECT_EQ(note.heard, ToneHeard::kYes);
  EXPECT_TRUE(note.within_tolerance);
  EXPECT_THAT(note.sentence,
              AllOf(HasSubstr("D3 sticks out: "), HasSubstr("quieter and brighter (octave "),
                    HasSubstr("mostly by its height, 0.45 mm lower than the profile's"),
                    HasSubstr("though every figure is within its tolerance.")));
  EXPECT_EQ(note.cause, "0.45 mm too low");
  EXPECT_THAT(PlainToneText(note, chart),
              AllOf(HasSubstr("quieter"), HasSubstr("brighter"), Not(HasSubstr("dB"))));
  // The neighbors stay what they were: the line through them is robust.
  for (const int midi : {48, 49, 51, 52}) EXPECT_EQ(chart.Find(midi)->heard, ToneHeard::kNo);
  EXPECT_GT(note.cost, 1.0);
}

TEST(PlainTone, SaysHowMuchInWordsAndTheGreaterFirst) {
  EvennessChart chart;
  chart.audible_level_db = 3.0;
  chart.audible_octave_db = 6.0;
  const auto text = [&](double level_db, double octave_db) {
    NoteEvenness note;
    note.level.figure.value = 1.0 + level_db;
    note.level.trend_db = 1.0;
    note.octave.figure.value = octave_db;
    return PlainToneText(note, chart);
  };
  EXPECT_EQ(text(-9.1, 6.1), "much quieter, brighter");
  EXPECT_EQ(text(3.1, -18.1), "much rounder, louder");
  EXPECT_EQ(text(-1.6, 2.9), "a little quieter");
  EXPECT_EQ(text(1.4, -2.9), "");
}

TEST(Evenness, LetsANoteWaitThatIsOffUnheard) {
  const InstrumentProfile profile = Instrument();
  VisitMeasurement visit = EvenVisit(profile);
  Note(visit, 50).lateral_mm->value = 0.6;  // tolerance 0.5
  const NoteEvenness note = *Evenness(visit, profile).Find(50);
  EXPECT_EQ(note.heard, ToneHeard::kNo);
  EXPECT_FALSE(note.within_tolerance);
  EXPECT_THAT(note.sentence,
              HasSubstr("D3 is off by its lateral offset, 0.60 mm toward treble, but "
                        "blends in"));
}

TEST(Evenness, JudgesByTheNeighborsNotByTheProfile) {
  // The whole instrument set low alike: even, if not as the profile asks.
  const InstrumentProfile profile = Instrument();
  VisitMeasurement visit = EvenVisit(profile);
  for (NoteMeasurement& note : visit.notes) note.height_mm->value -= 0.4;
  for (const NoteEvenness& note : Evenness(visit, profile).notes) {
    EXPECT_LE(note.heard, ToneHeard::kProbablyNot) << note.sentence;
    EXPECT_LT(note.level.figure.value, -1.0);
  }
  // Then the one that stands as it should sticks out.
  Note(visit, 50).height_mm->value += 0.4;
  EXPECT_EQ(Evenness(visit, profile).Find(50)->heard, ToneHeard::kYes);
}

TEST(Evenness, IsAsSureAsTheMeasurement) {
  const InstrumentProfile profile = Instrument();
  VisitMeasurement visit = EvenVisit(profile, 0.4);
  Note(visit, 50).height_mm->value -= 0.4;
  const EvennessChart chart = Evenness(visit, profile);
  EXPECT_EQ(chart.Find(50)->heard, ToneHeard::kProbably);
  EXPECT_THAT(chart.Find(50)->sentence, HasSubstr("D3 probably sticks out"));
  EXPECT_EQ(chart.Find(45)->heard, ToneHeard::kProbablyNot);
  visit = EvenVisit(profile);
  for (NoteMeasurement& note : visit.notes) note.gap_mm->expanded_u = 0.6;
  EXPECT_EQ(Evenness(visit, profile).main_uncertainty, "the gap");
}

TEST(Evenness, FallsBackOnTheProfileWithFewNeighbors) {
  const InstrumentProfile profile = Instrument();
  VisitMeasurement visit = EvenVisit(profile);
  visit.notes.resize(4);
  Note(visit, 41).height_mm->value -= 0.45;
  const NoteEvenness note = *Evenness(visit, profile).Find(41);
  EXPECT_TRUE(note.against_profile);
  EXPECT_EQ(note.heard, ToneHeard::kYes);
  EXPECT_THAT(note.sentence, HasSubstr("than the profile asks"));
}

TEST(Evenness, LeavesOutWhatItCanNotPredict) {
  const InstrumentProfile profile = Instrument();
  VisitMeasurement visit = EvenVisit(profile);
  Note(visit, 50).gap_mm.reset();
  const EvennessChart chart = Evenness(visit, profile);
  EXPECT_EQ(chart.Find(50), nullptr);
  EXPECT_EQ(chart.notes.size(), 20U);
  EXPECT_TRUE(Evenness({}, profile).notes.empty());
}

TEST(EvennessCost, PutsWhatIsHeardBeforeWhatIsNot) {
  const InstrumentProfile profile = Instrument();
  VisitMeasurement visit = EvenVisit(profile);
  Note(visit, 44).lateral_mm->value = 0.6;   // off, unheard
  Note(visit, 50).height_mm->value -= 0.45;  // within tolerance, heard
  Note(visit, 56).height_mm->value -= 0.7;
  const EvennessChart chart = Evenness(visit, profile);
  const auto cost = [&](int midi) { return chart.Find(midi)->cost; };
  EXPECT_GT(cost(56), cost(50));
  EXPECT_GT(cost(50), 1.0);
  EXPECT_LT(cost(44), 1.0);
  EXPECT_GT(cost(44), cost(47));
}

TEST(HeardRatio, LevelsOffWhereAPartialIsFaint) {
  EXPECT_NEAR(HeardRatioDb(0.0), 0.0, 1e-12);
  EXPECT_NEAR(HeardRatioDb(-200.0), -20.0, 1e-9);
  EXPECT_NEAR(HeardRatioDb(200.0), 20.0, 1e-9);
  EXPECT_NEAR(HeardRatioDb(-6.0), -6.0, 0.2);
  EXPECT_NEAR(HeardRatioDb(9.0), -HeardRatioDb(-9.0), 1e-12);
  for (const double db : {-18.0, -3.0, 0.0, 15.0})
    EXPECT_NEAR(HeardRatioDb(RatioHeardAsDb(db)), db, 1e-9);
}

TEST(ToneChangeText, SpeaksPlainly) {
  EXPECT_EQ(ToneChangeText(-2.14, 5.31), "2.1 dB quieter and brighter (octave 5.3 dB stronger)");
  EXPECT_EQ(ToneChangeText(1.0, 0.2), "1.0 dB louder");
  EXPECT_EQ(ToneChangeText(0.1, -3.0), "rounder (octave 3.0 dB weaker)");
  EXPECT_EQ(ToneChangeText(0.1, 0.1), "");
}

// ---------------------------------------------------------------------------- the best place

TEST(BestPlace, FindsBackThePlaceThatATargetCameFrom) {
  const InstrumentProfile profile = Instrument();
  for (const int midi : {40, 50, 60}) {
    const NoteProfile& target = *profile.Find(midi);
    const TineStroke stroke = StrokeOf(target, profile.tone, Dynamic::kMedium);
    const PickupPlace wanted{0.0, target.height_mm - 0.15, 1.3};
    const Eigen::Vector3d ideal = PredictToneDb(IdealPlace(target), PoleRadiusMm(target), stroke);
    const Eigen::Vector3d there = PredictToneDb(wanted, PoleRadiusMm(target), stroke);
    const BestPlace best = FindBestPlace(target, profile.tone, {there(0) - ideal(0), there(1)});
    EXPECT_TRUE(best.reached);
    EXPECT_NEAR(best.place.height_mm, wanted.height_mm, 1e-3);
    EXPECT_NEAR(best.place.gap_mm, wanted.gap_mm, 1e-3);
    EXPECT_EQ(best.place.lateral_mm, 0.0);
    // What it says of 0.1 mm is what 0.1 mm does, but for the bend over that way.
    const Eigen::Vector3d higher = PredictToneDb(
        {0.0, best.place.height_mm + 0.01, best.place.gap_mm}, PoleRadiusMm(target), stroke);
    EXPECT_NEAR(10.0 * (higher(0) - there(0)), best.level_per_tenth_height_db, 0.02);
    EXPECT_NEAR(10.0 * (higher(1) - there(1)), best.octave_per_tenth_height_db, 0.1);
    EXPECT_LT(best.level_per_tenth_gap_db, 0.0);  // farther is quieter
  }
}

TEST(BestPlace, IsTheProfilesWhereNothingElseIsAsked) {
  const InstrumentProfile profile = Instrument();
  const NoteProfile& target = *profile.Find(50);
  const BestPlace best =
      FindBestPlace(target, profile.tone, TargetFor(target, profile.tone, nullptr));
  EXPECT_TRUE(best.reached);
  EXPECT_NEAR(best.place.height_mm, target.height_mm, 0.02);
  EXPECT_NEAR(best.place.gap_mm, target.gap_mm, 0.02);
}

TEST(BestPlace, SaysWhereATargetIsOutOfReach) {
  const InstrumentProfile profile = Instrument();
  const NoteProfile& target = *profile.Find(50);
  const BestPlace best = FindBestPlace(target, profile.tone, {30.0, -10.0});
  EXPECT_FALSE(best.reached);
  EXPECT_GE(best.place.gap_mm, 0.5 * target.gap_mm - 1e-9);
}

TEST(ToneTarget, FollowsTheNeighborsNoFartherThanIsHeard) {
  const InstrumentProfile profile = Instrument();
  const NoteProfile& target = *profile.Find(50);
  const ToneTarget alone = TargetFor(target, profile.tone, nullptr);
  NoteEvenness evenness;
  evenness.level.trend_db = 1.2;
  evenness.octave.trend_db = alone.octave_db - 20.0;
  const ToneTarget wanted = TargetFor(target, profile.tone, &evenness);
  EXPECT_DOUBLE_EQ(wanted.level_db, 1.2);
  EXPECT_NEAR(HeardRatioDb(wanted.octave_db),
              HeardRatioDb(alone.octave_db) - profile.tone.audible_harmonic_db, 1e-9);
  evenness.against_profile = true;
  EXPECT_DOUBLE_EQ(TargetFor(target, profile.tone, &evenness).level_db, 0.0);
  ToneProfile asked = profile.tone;
  asked.target_second_harmonic_db = -6.0;
  asked.target_level_db = 1.0;
  const BestPlace best = FindBestPlace(target, asked, TargetFor(target, asked, nullptr));
  EXPECT_TRUE(best.reached);
  EXPECT_NEAR(best.octave_db, -6.0, 0.05);
  EXPECT_NEAR(best.level_db, 1.0, 0.05);
}

}  // namespace
}  // namespace tinesight
