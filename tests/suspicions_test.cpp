#include "alignment/suspicions.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

#include "alignment/judge_notes.hpp"
#include "calibration/angle.hpp"
#include "tests/made_record.hpp"

namespace tinesight {
namespace {

using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::SizeIs;

constexpr int kFirst = 40, kLast = 50;
constexpr int kOdd = 45;  // the note that something is done to

InstrumentProfile Profile() { return *ParseInstrumentProfile(SampleProfileJson(), ""); }

/// Notes as a solve gives them: with a scatter that is ordinary, and well known.
HarpSolution Ordinary() {
  HarpSolution solution;
  solution.variance_factor = 1.0;
  for (int midi = kFirst; midi <= kLast; ++midi) {
    const double odd = midi % 2 == 0 ? 1.0 : -1.0;
    SolvedNote note;
    note.midi = midi;
    note.photos = 2;
    note.state << 13.7 * (midi - kFirst) + 0.05 * odd, -0.04 * odd, 0.0, 0.1, 1.2 + 0.06 * odd, 1.5,
        0.1 * odd * kRadPerDeg, 0.0, 0.0;
    Eigen::Matrix<double, SolvedNote::kCount, 1> u;
    u << 0.05, 0.05, 0.1, 0.08, 0.08, 0.2, 0.08 * kRadPerDeg, 0.1 * kRadPerDeg, 0.1;
    note.covariance = u.cwiseAbs2().asDiagonal();
    note.has_tone_bar = true;
    note.tone_bar << note.state(0), 9.0, 0.08 * odd * kRadPerDeg, 0.0;
    note.tone_bar_covariance =
        Eigen::Vector4d(0.1, 0.1, 0.08 * kRadPerDeg, 0.1 * kRadPerDeg).cwiseAbs2().asDiagonal();
    solution.notes.push_back(note);
  }
  return solution;
}

SolvedNote& Odd(HarpSolution& solution) {
  return solution.notes[static_cast<std::size_t>(kOdd - kFirst)];
}

std::vector<Suspicion> Of(const HarpSolution& solution, int midi,
                          DamperState damper = DamperState::kHarpRaised) {
  const std::vector<NoteMeasurement> notes = JudgeNotes({}, solution, Profile(), damper);
  EXPECT_THAT(notes, SizeIs(kLast - kFirst + 1));  // ascending, as solved
  return notes.at(static_cast<std::size_t>(midi - kFirst)).suspicions;
}

void ExpectNoneElsewhere(const HarpSolution& solution) {
  for (int midi = kFirst; midi <= kLast; ++midi) {
    if (midi == kOdd) continue;
    EXPECT_THAT(Of(solution, midi), IsEmpty()) << midi;
  }
}

void ExpectOne(const HarpSolution& solution, SuspicionKind kind, const std::string& text) {
  const std::vector<Suspicion> suspicions = Of(solution, kOdd);
  ASSERT_THAT(suspicions, SizeIs(1));
  EXPECT_EQ(suspicions[0].kind, kind);
  EXPECT_THAT(suspicions[0].text, HasSubstr(text));
  ExpectNoneElsewhere(solution);
}

TEST(Suspicions, AreNoneOfAnOrdinaryHarp) {
  const HarpSolution solution = Ordinary();
  ExpectNoneElsewhere(solution);
  EXPECT_THAT(Of(solution, kOdd), IsEmpty());
}

TEST(Suspicions, ALowBarIsOneThatSitsUnderItsNeighbors) {
  HarpSolution solution = Ordinary();
  Odd(solution).state(SolvedNote::kHeight) -= 0.9;
  ExpectOne(solution, SuspicionKind::kToneBarLow, "check grommet and spring");
  // Height is what a resting damper spoils.
  EXPECT_THAT(Of(solution, kOdd, DamperState::kResting), IsEmpty());
  // As high: no grommet does that.
  Odd(solution).state(SolvedNote::kHeight) += 1.8;
  EXPECT_THAT(Of(solution, kOdd), IsEmpty());
  // A whole register set lower than the profile asks is no fault of one bar.
  HarpSolution lower = Ordinary();
  for (SolvedNote& note : lower.notes) note.state(SolvedNote::kHeight) -= 0.9;
  EXPECT_THAT(Of(lower, kOdd), IsEmpty());
}

TEST(Suspicions, ATineAgainstItsBarIsCrookedInItsBlock) {
  HarpSolution solution = Ordinary();
  Odd(solution).state(SolvedNote::kYaw) = 0.9 * kRadPerDeg;
  ExpectOne(solution, SuspicionKind::kCrookedInBlock, "toward treble of its tone bar");
}

TEST(Suspicions, ABarSkewedWithItsTineIsSkewed) {
  HarpSolution solution = Ordinary();
  Odd(solution).state(SolvedNote::kYaw) = -0.9 * kRadPerDeg;
  Odd(solution).tone_bar(2) = -0.85 * kRadPerDeg;
  ExpectOne(solution, SuspicionKind::kToneBarSkewed, "toward bass of its neighbors");
}

TEST(Suspicions, SaysNothingOfABarThatOnlyThePriorMakesSquare) {
  // Skewed with its tine, but hardly seen: the solve leaves it at the prior, 0 ± 0.3 degrees.
  HarpSolution solution = Ordinary();
  Odd(solution).state(SolvedNote::kYaw) = 0.9 * kRadPerDeg;
  Odd(solution).tone_bar(2) = 0.05 * kRadPerDeg;
  Odd(solution).tone_bar_covariance(2, 2) = std::pow(0.295 * kRadPerDeg, 2);
  EXPECT_THAT(Of(solution, kOdd), IsEmpty());
}

TEST(Suspicions, APickupOffItsRowIsOutOfLine) {
  HarpSolution solution = Ordinary();
  Odd(solution).state(SolvedNote::kX) += 0.8;
  Odd(solution).state(SolvedNote::kLateral) -= 0.8;
  ExpectOne(solution, SuspicionKind::kPickupOutOfLine, "toward treble of its row");
  HarpSolution low = Ordinary();
  Odd(low).state(SolvedNote::kY) -= 0.8;
  Odd(low).state(SolvedNote::kHeight) += 0.8;
  ExpectOne(low, SuspicionKind::kPickupOutOfLine, "below its row");
}

TEST(Suspicions, NothingIsSaidWithinTheUncertainty) {
  HarpSolution solution = Ordinary();
  SolvedNote& odd = Odd(solution);
  odd.state(SolvedNote::kHeight) -= 0.9;
  odd.state(SolvedNote::kX) += 0.8;
  odd.state(SolvedNote::kYaw) = 0.9 * kRadPerDeg;
  odd.covariance(SolvedNote::kX, SolvedNote::kX) = std::pow(0.6, 2);
  odd.covariance(SolvedNote::kHeight, SolvedNote::kHeight) = std::pow(0.6, 2);
  odd.covariance(SolvedNote::kYaw, SolvedNote::kYaw) = std::pow(0.55 * kRadPerDeg, 2);
  EXPECT_THAT(Of(solution, kOdd), IsEmpty());
}

TEST(Suspicions, ThresholdsAreTheProfiles) {
  HarpSolution solution = Ordinary();
  Odd(solution).state(SolvedNote::kHeight) -= 0.9;
  InstrumentProfile profile = Profile();
  profile.suspicion.tone_bar_low_mm = 1.2;
  for (const NoteMeasurement& note : JudgeNotes({}, solution, profile, DamperState::kHarpRaised)) {
    EXPECT_THAT(note.suspicions, IsEmpty()) << note.suspicions.size();
  }
}

}  // namespace
}  // namespace tinesight
