#include "alignment/correction.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

#include "calibration/angle.hpp"
#include "tests/published_check.hpp"

namespace tinesight {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

InstrumentProfile Instrument() {
  InstrumentProfile instrument;
  for (int midi = 28; midi <= 100; ++midi) {
    NoteProfile note;
    note.midi = midi;
    note.tine_length_mm = 100.0;
    note.gap_mm = 1.5;
    note.height_mm = 1.0;
    instrument.notes.push_back(note);
  }
  return instrument;
}

// A note as it comes out of the solve: geometry first, figures computed from it.
struct Faults {
  double tine_yaw_deg = 0.0;
  double bar_yaw_deg = 0.0;
  double root_x_mm = 0.0;
  double pickup_x_mm = 0.0;
  double root_y_mm = 0.0;
  double pitch_deg = 0.0;
  double gap_mm = 0.0;
  double u_deg = 0.1;
};

NoteMeasurement Note(const Faults& faults, int midi = 40) {
  const NoteProfile target = *Instrument().Find(midi);
  const double row_x = (midi - 28) * 13.7;
  NoteMeasurement note;
  note.midi = midi;
  note.root_harp_mm = {row_x + faults.root_x_mm, target.height_mm + faults.root_y_mm, -101.5};
  note.pickup_harp_mm = {row_x + faults.pickup_x_mm, 0.0, faults.gap_mm};
  const double depth = 101.5 + faults.gap_mm;
  const double tan_yaw = std::tan(faults.tine_yaw_deg / kDegPerRad);
  const double tan_pitch = std::tan(faults.pitch_deg / kDegPerRad);
  note.tip_harp_mm = note.root_harp_mm + 100.0 * Eigen::Vector3d(tan_yaw, tan_pitch, 1.0);
  note.lateral_mm = {faults.root_x_mm + depth * tan_yaw - faults.pickup_x_mm, 0.1};
  note.height_mm = {target.height_mm + faults.root_y_mm + depth * tan_pitch, 0.1};
  note.gap_mm = {target.gap_mm + faults.gap_mm, 0.1};
  note.yaw_deg = {faults.tine_yaw_deg, faults.u_deg};
  note.pitch_deg = {faults.pitch_deg, faults.u_deg};
  note.tone_bar_yaw_deg = {faults.bar_yaw_deg, faults.u_deg};
  note.lateral_verdict = Judge(note.lateral_mm->value, 0.1, target.tolerance_lateral_mm);
  note.height_verdict =
      Judge(note.height_mm->value - target.height_mm, 0.1, target.tolerance_height_mm);
  note.gap_verdict = Judge(note.gap_mm->value - target.gap_mm, 0.1, target.tolerance_gap_mm);
  return note;
}

NoteMeasurement Advised(const Faults& faults, int midi = 40) {
  const InstrumentProfile instrument = Instrument();
  NoteMeasurement note = Note(faults, midi);
  FillAdvice(note, *instrument.Find(midi), instrument);
  return note;
}

LateralCause Cause(const Faults& faults) {
  const InstrumentProfile instrument = Instrument();
  const NoteMeasurement note = Note(faults);
  const LateralShares shares = SplitLateral(note, *instrument.Find(note.midi), instrument);
  EXPECT_NEAR(shares.crook_mm + shares.tone_bar_mm + shares.pickup_mm, note.lateral_mm->value,
              1e-12);
  return shares.cause;
}

TEST(CorrectionAtMount, TurnsAgainstTheOffset) {
  // 1 mm toward treble at 101.5 mm: atan(1/101.5) = 0.56448° toward bass.
  EXPECT_NEAR(CorrectionAtMountRad(1.0, 101.5) * kDegPerRad, -0.56448, 1e-5);
  EXPECT_NEAR(CorrectionAtMountRad(-1.0, 101.5) * kDegPerRad, 0.56448, 1e-5);
  EXPECT_EQ(CorrectionAtMountRad(0.0, 101.5), 0.0);
}

TEST(CorrectionAtMount, BringsTheOffsetToZero) {
  for (const double root_x : {-2.0, 0.0, 1.5}) {
    for (const double yaw : {-0.05, 0.0, 0.02}) {
      const double depth = 60.0, pickup_x = 0.3;
      const double lateral = root_x + depth * std::tan(yaw) - pickup_x;
      const double turned = yaw + CorrectionAtMountRad(lateral, depth, pickup_x - root_x);
      EXPECT_NEAR(root_x + depth * std::tan(turned), pickup_x, 1e-12);
    }
  }
}

// By hand, with #8-32 (25.4/32 = 0.79375 mm a turn) and screws 30 mm apart, root over the forward
// screw: the lever is (30 + 101.5)/30 = 4.38333. To raise the tine's end 0.5 mm the bar must rise
// 0.5/4.38333 = 0.114068 mm at the screw, 0.143708 turn.
TEST(ForwardScrew, FollowsTheLeverAndTheThread) {
  const double usual_pitch = InstrumentProfile{}.screw_pitch_mm;
  ExpectPublished({"charts of ASME B1.1", "pitch of #8-32, mm"}, usual_pitch, 0.79375, 1e-12);
  NoteProfile target;
  EXPECT_NEAR(ForwardScrewRatio(101.5, target), 4.38333, 5e-6);
  EXPECT_NEAR(ForwardScrewTurns(0.5, 101.5, target, usual_pitch), 0.143708, 5e-7);
  EXPECT_NEAR(ForwardScrewTurns(-0.5, 101.5, target, usual_pitch), -0.143708, 5e-7);
  const double m4_pitch = 0.7;  // coarse, ISO 261
  EXPECT_NEAR(ForwardScrewTurns(0.5, 101.5, target, m4_pitch), 0.143708 * 0.79375 / 0.7, 1e-6);
  target.root_ahead_of_rear_screw_mm = 0.0;  // root over the rear screw: 101.5/30
  EXPECT_NEAR(ForwardScrewRatio(101.5, target), 3.38333, 5e-6);
}

// How far one turn raises the bar's end, by the lever's rule, at the threads that a rail may have.
TEST(ForwardScrew, RaisesByThePitchOfTheThread) {
  const struct {
    const char* source;
    const char* thread;
    double pitch_mm, published_mm;
  } threads[] = {{"charts of ASME B1.1", "#6-32", 25.4 / 32.0, 0.79375},
                 {"charts of ASME B1.1", "#10-32", 25.4 / 32.0, 0.79375},
                 {"charts of ASME B1.1", "#10-24", 25.4 / 24.0, 1.0583},
                 {"charts of ISO 261", "M3", 0.5, 0.5},
                 {"charts of ISO 261", "M4", 0.7, 0.7},
                 {"charts of ISO 261", "M5", 0.8, 0.8}};
  for (const auto& thread : threads) {
    const NoteProfile target;
    const double at_pickup_mm = 0.4;
    const double at_screw_mm = at_pickup_mm / ForwardScrewRatio(101.5, target);
    const double turns = ForwardScrewTurns(at_pickup_mm, 101.5, target, thread.pitch_mm);
    ExpectPublished({thread.source, std::string("one turn of ") + thread.thread + ", mm"},
                    at_screw_mm / turns, thread.published_mm, 5e-5);
  }
}

// The bar as a rigid body, turned about its rear screw: the lever's rule against the geometry.
TEST(ForwardScrew, AgreesWithTheTurnedBar) {
  const NoteProfile target;
  const double pitch = 0.7;
  const double rise_at_screw = 0.3;
  const double angle = std::atan(rise_at_screw / target.screw_spacing_mm);
  const double rise_at_pickup = (30.0 + 101.5) * std::tan(angle);
  EXPECT_NEAR(ForwardScrewTurns(rise_at_pickup, 101.5, target, pitch) * pitch, rise_at_screw,
              1e-12);
}

TEST(SplitLateral, NamesTheCause) {
  EXPECT_EQ(Cause({.tine_yaw_deg = 0.6}), LateralCause::kCrookedInBlock);
  EXPECT_EQ(Cause({.tine_yaw_deg = -0.6}), LateralCause::kCrookedInBlock);
  EXPECT_EQ(Cause({.tine_yaw_deg = 0.6, .bar_yaw_deg = 0.6}), LateralCause::kToneBar);
  EXPECT_EQ(Cause({.root_x_mm = 1.0}), LateralCause::kToneBar);
  EXPECT_EQ(Cause({.pickup_x_mm = 0.8}), LateralCause::kPickup);
  EXPECT_EQ(Cause({.pickup_x_mm = -0.8}), LateralCause::kPickup);
}

TEST(SplitLateral, TakesTheGreaterOfTwoCauses) {
  // The bar points 0.9° toward treble, the tine is bent back by 0.3°: the bar is to be squared.
  EXPECT_EQ(Cause({.tine_yaw_deg = 0.6, .bar_yaw_deg = 0.9}), LateralCause::kToneBar);
  // Bar 0.2°, tine 0.8° more.
  EXPECT_EQ(Cause({.tine_yaw_deg = 1.0, .bar_yaw_deg = 0.2}), LateralCause::kCrookedInBlock);
  // A pickup 0.8 mm toward bass and 0.5 mm of crook toward treble: both push the same way.
  EXPECT_EQ(Cause({.tine_yaw_deg = 0.28, .pickup_x_mm = -0.8}), LateralCause::kPickup);
}

TEST(SplitLateral, CallsNoCauseThatItsUncertaintyHides) {
  EXPECT_EQ(Cause({.tine_yaw_deg = 0.6, .u_deg = 0.7}), LateralCause::kUnclear);
  const InstrumentProfile instrument = Instrument();
  NoteMeasurement note = Note({.tine_yaw_deg = 0.6});
  note.tone_bar_yaw_deg.reset();
  EXPECT_EQ(SplitLateral(note, *instrument.Find(40), instrument).cause, LateralCause::kUnclear);
}

TEST(SplitLateral, PrefersTheRowThatWasMeasured) {
  // The profile's spacing is wrong, so that by it this pickup seems 0.8 mm out; the row says not.
  const InstrumentProfile instrument = Instrument();
  const NoteMeasurement note = Note({.tine_yaw_deg = 0.6, .root_x_mm = 0.8, .pickup_x_mm = 0.8});
  const LateralShares shares = SplitLateral(note, *instrument.Find(40), instrument, 0.0);
  EXPECT_EQ(shares.cause, LateralCause::kCrookedInBlock);
  EXPECT_EQ(shares.pickup_mm, 0.0);
}

TEST(FillAdvice, SaysWhatToTurnWhichWayAndHowFar) {
  // 0.6°: 101.5 mm · tan = 1.063 mm.
  const NoteMeasurement crooked = Advised({.tine_yaw_deg = 0.6});
  EXPECT_EQ(crooked.advice,
            "the tine is crooked in its block, 0.60° toward treble of its tone bar: turn the tine "
            "in its block 0.60° toward bass (1.06 mm at the pickup)");
  ASSERT_TRUE(crooked.correction_deg);
  EXPECT_NEAR(*crooked.correction_deg, -0.6, 1e-9);
  EXPECT_EQ(Advised({.tine_yaw_deg = -0.6, .bar_yaw_deg = -0.6}).advice,
            "the tone bar is skewed on its grommets, 0.60° toward bass: square the tone bar, turn "
            "it 0.60° toward treble (1.06 mm at the pickup)");
  EXPECT_EQ(Advised({.root_x_mm = 1.0}).advice,
            "the tone bar sits toward treble with its tine: shift or turn it toward bass (1.00 mm "
            "at the pickup)");
  EXPECT_EQ(Advised({.pickup_x_mm = 0.8}).advice,
            "the pickup is out of line, 0.80 mm toward treble of its row: slide the pickup 0.80 mm "
            "toward bass");
}

TEST(CorrectionSteps, SayHowSureTheAmountIs) {
  const InstrumentProfile instrument = Instrument();
  const auto steps =
      CorrectionSteps(Note({.tine_yaw_deg = 0.6, .gap_mm = 0.7}), *instrument.Find(40), instrument);
  ASSERT_EQ(steps.size(), 2U);
  EXPECT_EQ(steps[0].task, WorkTask::kTurnTine);
  // 0.6° over 101.5 + 0.7 mm is 1.070 mm.
  EXPECT_EQ(StepText(steps[0], true),
            "turn the tine in its block 0.60° toward bass (1.07 mm at the pickup, U 0.10)");
  EXPECT_EQ(steps[1].task, WorkTask::kGap);
  EXPECT_EQ(StepText(steps[1], true), "slide the pickup 0.70 mm in (U 0.10)");
  EXPECT_EQ(StepText(steps[1], false), "slide the pickup 0.70 mm in");
  // 0.5° over 101.5 mm is 0.886 mm; the lever of 4.38333 and #8-32 make 0.2546 turn of it.
  const auto low = CorrectionSteps(Note({.pitch_deg = -0.5}), *instrument.Find(40), instrument);
  ASSERT_EQ(low.size(), 1U);
  EXPECT_EQ(StepText(low[0], true),
            "forward screw 0.25 turn (92°) out, to bring that end of the tone bar 0.20 mm up "
            "(U 0.10 at the pickup)");
}

TEST(FillAdvice, CorrectsWhatThePickupLeavesOver) {
  // Pickup 1 mm toward bass, and the tine 0.709 mm toward treble of its row's line.
  const NoteMeasurement note = Advised({.tine_yaw_deg = 0.4, .pickup_x_mm = -1.0});
  EXPECT_EQ(note.advice,
            "the pickup is out of line, 1.00 mm toward bass of its row: slide the pickup 1.00 mm "
            "toward treble, then turn the tine 0.40° toward bass (0.71 mm at the pickup)");
}

TEST(FillAdvice, GivesScrewTurnsForHeight) {
  // 0.5° down over 101.5 mm is 0.886 mm; with the lever of 4.38333 0.202 mm, 0.25 turn.
  EXPECT_EQ(
      Advised({.pitch_deg = -0.5}).advice,
      "the tine is 0.89 mm too low: forward screw 0.25 turn (92°) out, to bring that end of the "
      "tone bar 0.20 mm up");
  EXPECT_THAT(Advised({.pitch_deg = 0.5}).advice,
              HasSubstr("too high: forward screw 0.25 turn (92°) in"));
  EXPECT_THAT(Advised({.pitch_deg = 0.5}).advice, HasSubstr("0.20 mm down"));
}

TEST(FillAdvice, KnowsAToneBarThatIsLowAsAWhole) {
  EXPECT_EQ(Advised({.root_y_mm = -0.8}).advice,
            "the tine is 0.80 mm too low, its whole tone bar is: look at the grommets, then both "
            "screws 1.01 turn (363°) out, to bring the bar 0.80 mm up");
  // Not where the pitch is too uncertain to tell: 0.4° over 101.5 mm is 0.7 mm.
  EXPECT_THAT(Advised({.root_y_mm = -0.8, .u_deg = 0.4}).advice, HasSubstr("forward screw"));
}

TEST(FillAdvice, SlidesThePickupForTheGap) {
  EXPECT_EQ(Advised({.gap_mm = 0.7}).advice,
            "the gap is 0.70 mm too wide: slide the pickup 0.70 "
            "mm in");
  EXPECT_EQ(Advised({.gap_mm = -0.7}).advice,
            "the gap is 0.70 mm too narrow: slide the pickup "
            "0.70 mm out");
}

TEST(FillAdvice, AdvisesNothingOnGoodOrUncertainNotes) {
  const NoteMeasurement good = Advised({.tine_yaw_deg = 0.1});
  EXPECT_EQ(good.advice, "");
  ASSERT_TRUE(good.correction_deg);
  EXPECT_NEAR(*good.correction_deg, -0.1, 1e-9);
  const InstrumentProfile instrument = Instrument();
  NoteMeasurement note = Note({.tine_yaw_deg = 0.6, .pitch_deg = 1.0, .gap_mm = 1.0});
  note.lateral_verdict = note.height_verdict = note.gap_verdict = Verdict::kUncertain;
  note.advice = "of an earlier visit";
  FillAdvice(note, *instrument.Find(40), instrument);
  EXPECT_EQ(note.advice, "");
  NoteMeasurement unseen;
  unseen.midi = 40;
  FillAdvice(unseen, *instrument.Find(40), instrument);
  EXPECT_EQ(unseen.advice, "");
  EXPECT_FALSE(unseen.correction_deg);
}

TEST(FillAdvice, JoinsWhatOneNoteNeeds) {
  const std::string advice = Advised({.tine_yaw_deg = 0.6, .pitch_deg = 0.5, .gap_mm = 0.7}).advice;
  EXPECT_THAT(advice, HasSubstr("crooked in its block"));
  EXPECT_THAT(advice, HasSubstr("; the tine is 0.89 mm too high"));
  EXPECT_THAT(advice, HasSubstr("; the gap is 0.70 mm too wide"));
  EXPECT_THAT(advice, Not(HasSubstr("\n")));
}

}  // namespace
}  // namespace tinesight
