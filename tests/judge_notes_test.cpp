#include "alignment/judge_notes.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <Eigen/Eigenvalues>

#include "calibration/angle.hpp"
#include "tests/sample_visit.hpp"

namespace tinesight {
namespace {

using ::testing::HasSubstr;

// Five notes in a straight row, with a covariance in which every pair is correlated.
HarpSolution Solution() {
  HarpSolution solution;
  for (int midi = 40; midi < 45; ++midi) {
    SolvedNote note;
    note.midi = midi;
    note.photos = 2;
    note.state << 13.7 * (midi - 40), 0.0, 0.0, 0.3, 2.4, 1.5, 0.005, -0.002, 0.0;
    const Eigen::Matrix<double, SolvedNote::kCount, 1> u{0.03, 0.03,  0.1,   0.05, 0.06,
                                                         0.2,  0.002, 0.003, 0.1};
    note.covariance = 0.5 * u * u.transpose();
    note.covariance.diagonal() = u.cwiseAbs2();
    solution.notes.push_back(note);
  }
  return solution;
}

std::vector<NoteMeasurement> Judged(DamperState damper) {
  return JudgeNotes({}, Solution(), SampleProfile(), damper);
}

TEST(JudgeNotes, StatesACovarianceThatFitsItsUncertainties) {
  const std::vector<NoteMeasurement> notes = Judged(DamperState::kHarpRaised);
  ASSERT_EQ(notes.size(), 5U);
  for (const NoteMeasurement& note : notes) {
    ASSERT_TRUE(note.covariance);
    const NoteCovariance& covariance = *note.covariance;
    const Measured* figures[] = {&*note.lateral_mm, &*note.height_mm, &*note.gap_mm, &*note.yaw_deg,
                                 &*note.pitch_deg};
    for (int i = 0; i < 5; ++i) {
      EXPECT_NEAR(2.0 * std::sqrt(covariance(i, i)), figures[i]->expanded_u, 1e-12);
    }
    EXPECT_EQ(covariance, covariance.transpose());
    // Lateral offset against yaw: half of 0.05 mm · 0.002 rad, in mm · degrees.
    EXPECT_NEAR(covariance(0, 3), 0.5 * 0.05 * 0.002 * kDegPerRad, 1e-12);
    EXPECT_NEAR(covariance(0, 1), 0.5 * 0.05 * 0.06, 1e-12);
    const Eigen::SelfAdjointEigenSolver<NoteCovariance> eigen(covariance);
    EXPECT_GT(eigen.eigenvalues().minCoeff(), 0.0);
  }
}

TEST(JudgeNotes, NeverJudgesAHeightUnderARestingDamper) {
  for (const NoteMeasurement& note : Judged(DamperState::kHarpRaised)) {
    EXPECT_EQ(note.height_verdict, Verdict::kOutOfTolerance);  // 2.4, 1.2 ± 0.5 mm is asked
  }
  for (const NoteMeasurement& note : Judged(DamperState::kResting)) {
    EXPECT_EQ(note.height_verdict, Verdict::kUncertain);
    EXPECT_TRUE(note.height_mm) << "the figure itself is kept, for the damper's lift";
    EXPECT_THAT(note.reason, HasSubstr("a damper rests on the tine"));
    EXPECT_THAT(note.advice, ::testing::Not(HasSubstr("screw")));
  }
}

}  // namespace
}  // namespace tinesight
