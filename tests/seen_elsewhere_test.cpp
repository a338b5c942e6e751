// What the other photos say of a tine, on a made-up note whose line is known.
#include "alignment/seen_elsewhere.hpp"

#include <gtest/gtest.h>

#include "calibration/angle.hpp"
#include "tests/solve_scene.hpp"

namespace tinesight {
namespace {

using N = SolvedNote;
constexpr int kMidi = 40;

InstrumentProfile OneNote() {
  InstrumentProfile profile;
  profile.name = "made up";
  NoteProfile note;
  note.midi = kMidi;
  note.tine_length_mm = 100.0;
  profile.notes.push_back(note);
  return profile;
}

/// From in front of the mounts and above the tines, `x_mm` to the side.
Eigen::Isometry3d Station(double x_mm) { return testing::LookingFrom({x_mm, -115.0, -420.0}); }

SolvedNote Tine(double lateral_mm, double yaw_deg) {
  SolvedNote note;
  note.midi = kMidi;
  note.state(N::kLateral) = lateral_mm;
  note.state(N::kHeight) = OneNote().notes.front().height_mm;
  note.state(N::kYaw) = yaw_deg * kRadPerDeg;
  return note;
}

/// Two stations; each sees the tine given for it.
struct TwoStations {
  HarpSolution solution;
  std::vector<PhotoObservations> photos;

  TwoStations(const SolvedNote& in_first, const SolvedNote& in_second) {
    solution.camera_from_harp = {Station(-70.0), Station(70.0)};
    solution.cameras = {testing::PhoneCamera(), testing::PhoneCamera()};
    photos.resize(2);
    AddAxis(in_first, 0);
    AddAxis(in_second, 1);
  }

  void AddAxis(const SolvedNote& tine, std::size_t photo) {
    NoteObservation& seen = photos[photo].notes.emplace_back();
    seen.midi = kMidi;
    const TineLine line = LineOf(tine);
    for (const double along : {20.0, 70.0}) {
      const Eigen::Vector3d at = line.at_pickup_mm - along / line.direction.z() * line.direction;
      const Eigen::Vector3d in_camera = solution.camera_from_harp[photo] * at;
      seen.axis.push_back({along, solution.cameras[photo].Project(in_camera), 0.2});
    }
  }
};

TEST(SeenElsewhere, IsTheTineThatTheOtherPhotoShows) {
  const SolvedNote truth = Tine(-0.6, -0.3);
  const SolvedNote taken_for_it = Tine(0.5, 0.0);
  const TwoStations stations(truth, taken_for_it);
  const auto line =
      TineSeenElsewhere(stations.photos, stations.solution, OneNote(), Tine(0.0, 0.0), 1);
  ASSERT_TRUE(line.has_value());
  // One photo leaves a line's depth to the priors, which draw it: 0.15 mm where the two differ by
  // more than 1 mm.
  EXPECT_NEAR(line->at_pickup_mm.x(), -0.6, 0.15);
  EXPECT_NEAR(line->direction.x(), LineOf(truth).direction.x(), 0.15 * kRadPerDeg);
  EXPECT_NEAR(line->direction.norm(), 1.0, 1e-12);

  const auto other =
      TineSeenElsewhere(stations.photos, stations.solution, OneNote(), Tine(0.0, 0.0), 0);
  ASSERT_TRUE(other.has_value());
  EXPECT_NEAR(other->at_pickup_mm.x(), 0.5, 0.15);
}

TEST(SeenElsewhere, LeavesThePickupWhereItWasSolved) {
  SolvedNote truth = Tine(0.0, 0.0);
  truth.state.segment<3>(N::kX) = Eigen::Vector3d(0.7, -0.4, 0.3);
  const TwoStations stations(truth, truth);
  const auto line = TineSeenElsewhere(stations.photos, stations.solution, OneNote(), truth, 0);
  ASSERT_TRUE(line.has_value());
  EXPECT_LT((line->at_pickup_mm - LineOf(truth).at_pickup_mm).norm(), 1e-3);
}

TEST(SeenElsewhere, IsNothingWhereNoOtherPhotoShowsTheTine) {
  TwoStations stations(Tine(0.0, 0.0), Tine(0.0, 0.0));
  stations.photos[1].notes.front().axis.clear();
  EXPECT_FALSE(TineSeenElsewhere(stations.photos, stations.solution, OneNote(), Tine(0.0, 0.0), 0)
                   .has_value());
}

}  // namespace
}  // namespace tinesight
