#include "calibration/rig_pose.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <Eigen/Dense>
#include <random>

#include "calibration/rig_bars.hpp"
#include "tests/facing_tag.hpp"

namespace tinesight {
namespace {

using testing::ElementsAre;
using testing::HasSubstr;
using testing::IsEmpty;

constexpr double kDeg = M_PI / 180.0;

Camera PhoneCamera() {
  Camera camera;
  camera.width_px = 4032;
  camera.height_px = 3024;
  camera.fx_px = 3150.0;
  camera.fy_px = 3152.0;
  camera.cx_px = 2015.5;
  camera.cy_px = 1511.5;
  camera.distortion = {-0.055, 0.028, 0.0006, -0.0004, 0.0};
  return camera;
}

constexpr double kTagU_mm = 1e-6;

/// Two bars as the default strips, with `per_bar` tags of the 20, and saddle points between them.
Rig TwoBars(int per_bar = 8) {
  Rig rig;
  for (int i = 0; i < per_bar; ++i) {
    const double x_mm = 36.0 * (i - 0.5 * (per_bar - 1));
    rig.tags.push_back(test::FacingTag(i, {x_mm, -25.0, 30.0}, kTagU_mm));
    rig.tags.push_back(test::FacingTag(40 + i, {x_mm, 17.0, -205.0}, kTagU_mm));
    rig.points.push_back({i, {x_mm + 9.0, -25.0, 30.0}, 1e-6});
    rig.points.push_back({40 + i, {x_mm + 9.0, 17.0, -205.0}, 1e-6});
  }
  return rig;
}

/// Looks from `position_mm` at `target_mm`, treble to the right, rolled about the axis.
Eigen::Isometry3d LookAt(const Eigen::Vector3d& position_mm, const Eigen::Vector3d& target_mm,
                         double roll_rad) {
  const Eigen::Vector3d z = (target_mm - position_mm).normalized();
  const Eigen::Vector3d x = Eigen::Vector3d::UnitY().cross(z).normalized();
  Eigen::Matrix3d rotation;
  rotation << x.transpose(), z.cross(x).transpose(), z.transpose();
  Eigen::Isometry3d camera_from_rig = Eigen::Isometry3d::Identity();
  camera_from_rig.linear() =
      Eigen::AngleAxisd(roll_rad, Eigen::Vector3d::UnitZ()).toRotationMatrix() * rotation;
  camera_from_rig.translation() = -(camera_from_rig.linear() * position_mm);
  return camera_from_rig;
}

struct Truth {
  Eigen::Isometry3d camera_from_rig = LookAt({-60, -125, -410}, {0, 0, -30}, 4 * kDeg);
  double focal_scale = 1.0;
  Eigen::Vector2d shift_px = Eigen::Vector2d::Zero();
  std::array<double, 2> growth_mm = {0.0, 0.0};  // mount bar, pickup bar
};

RigObservations Observe(const Rig& rig, const Truth& truth, double sigma_px, std::mt19937* noise,
                        bool with_points = true) {
  const Camera camera =
      PhoneCamera().Adjusted(truth.focal_scale, truth.shift_px.x(), truth.shift_px.y());
  std::normal_distribution<double> normal(0.0, sigma_px);
  const auto see = [&](const Eigen::Vector3d& point_mm) -> Eigen::Vector2d {
    Eigen::Vector2d p = camera.Project(truth.camera_from_rig * point_mm);
    if (noise != nullptr) p += Eigen::Vector2d(normal(*noise), normal(*noise));
    return p;
  };
  RigObservations seen;
  for (const RigTag& tag : rig.tags) {
    TagObservation observation;
    observation.id = tag.id;
    observation.sigma_px = sigma_px;
    const double growth = truth.growth_mm[tag.id >= 40 ? 0 : 1];
    for (std::size_t k = 0; k < 4; ++k) {
      // Along the diagonal, from the center: sqrt(2) of the edge's growth.
      const Eigen::Vector3d out = (tag.corners_mm[k] - tag.CenterMm()) / 6.0;
      observation.corners_px[k] = see(tag.corners_mm[k] + growth * out);
    }
    seen.tags.push_back(observation);
  }
  if (with_points) {
    for (const RigPoint& point : rig.points) {
      seen.points.push_back({point.id, see(point.position_mm), sigma_px});
    }
  }
  return seen;
}

/// Truth minus estimate in the parameters of RigPose::covariance.
Eigen::Matrix<double, 9, 1> ErrorOf(const RigPose& pose, const Truth& truth) {
  Eigen::Matrix<double, 9, 1> error;
  const Eigen::AngleAxisd turn(truth.camera_from_rig.linear() *
                               pose.camera_from_rig.linear().transpose());
  error.segment<3>(0) = turn.angle() * turn.axis();
  error.segment<3>(3) = truth.camera_from_rig.translation() - pose.camera_from_rig.translation();
  error(6) = truth.focal_scale - pose.focal_scale;
  error.segment<2>(7) = truth.shift_px - pose.principal_point_shift_px;
  return error;
}

void KeepTags(RigObservations& seen, bool (*keep)(int id)) {
  std::erase_if(seen.tags, [&](const TagObservation& tag) { return !keep(tag.id); });
  std::erase_if(seen.points, [&](const PointObservation& point) { return !keep(point.id); });
}

TEST(RigBars, SplitsByDepthAndNamesTheBars) {
  Rig rig = TwoBars(3);
  const RigBars bars = FindRigBars(rig);
  EXPECT_THAT(bars.bar_of_tag, ElementsAre(1, 0, 1, 0, 1, 0));
  EXPECT_THAT(bars.bar_of_point, ElementsAre(1, 0, 1, 0, 1, 0));
  EXPECT_THAT(bars.names, ElementsAre("mount bar", "pickup bar"));
  rig.tags.push_back(test::FacingTag(99, {0, 0, -100}, kTagU_mm));
  EXPECT_EQ(FindRigBars(rig).Count(), 3) << "a tag that stands alone is a bar of its own";
}

TEST(SolveRigPose, RecoversThePoseFromNoiseFreeObservations) {
  Truth truth;
  truth.focal_scale = 1.0;  // the priors' means, so that nothing pulls the solution away
  const Rig rig = TwoBars();
  for (const bool with_points : {true, false}) {
    const auto pose =
        SolveRigPose(Observe(rig, truth, 0.1, nullptr, with_points), rig, PhoneCamera());
    ASSERT_TRUE(pose) << pose.error().message;
    EXPECT_LT(ErrorOf(*pose, truth).head<3>().norm(), 1e-6);
    EXPECT_LT(ErrorOf(*pose, truth).segment<3>(3).norm(), 1e-5);
    EXPECT_LT(std::abs(pose->focal_scale - 1.0), 1e-6);
    EXPECT_LT(pose->rms_px, 1e-5);
    EXPECT_TRUE(pose->both_bars);
    EXPECT_EQ(pose->tags_used, 16);
    EXPECT_EQ(pose->points_used, with_points ? 16 : 0);
    EXPECT_THAT(pose->warnings, IsEmpty());
  }
}

TEST(SolveRigPose, FindsThePoseFromManyStations) {
  const Rig rig = TwoBars();
  for (const double x_mm : {-200.0, 0.0, 150.0}) {
    for (const double y_mm : {-280.0, -110.0}) {
      for (const double roll_rad : {-20 * kDeg, 8 * kDeg}) {
        Truth truth;
        truth.camera_from_rig = LookAt({x_mm, y_mm, -430}, {0, 0, -60}, roll_rad);
        truth.focal_scale = 1.012;
        const auto pose = SolveRigPose(Observe(rig, truth, 0.1, nullptr), rig, PhoneCamera());
        ASSERT_TRUE(pose) << pose.error().message;
        const Eigen::Vector3d error_mm = pose->camera_from_rig.inverse().translation() -
                                         truth.camera_from_rig.inverse().translation();
        EXPECT_LT(error_mm.norm(), 0.01);
        EXPECT_NEAR(pose->focal_scale, 1.012, 1e-4);
      }
    }
  }
}

// Normalized estimation error squared: mean 9 for a right covariance of nine parameters, standard
// deviation of the mean of 200 sqrt(18 / 200) = 0.3. The truth is drawn from the priors, for which
// alone the covariance is meant.
TEST(SolveRigPose, CovarianceMatchesTheScatterOverTwoHundredPhotos) {
  const Rig rig = TwoBars(6);
  std::mt19937 random(7);
  std::normal_distribution<double> normal(0.0, 1.0);
  constexpr int kTrials = 200;
  double sum = 0.0;
  double stated_first = 0.0;
  for (int trial = 0; trial < kTrials; ++trial) {
    Truth truth;
    truth.focal_scale = 1.0 + 0.015 * normal(random);
    truth.shift_px = {4.0 * normal(random), 4.0 * normal(random)};
    truth.growth_mm = {0.15 * normal(random), 0.15 * normal(random)};
    RigObservations seen = Observe(rig, truth, 0.1, &random);
    // What the observations claim must not matter: the residuals tell.
    const double claimed = trial % 2 == 0 ? 0.1 : 0.4;
    for (TagObservation& tag : seen.tags) tag.sigma_px = claimed;
    for (PointObservation& point : seen.points) point.sigma_px = claimed;
    const auto pose = SolveRigPose(seen, rig, PhoneCamera());
    ASSERT_TRUE(pose) << pose.error().message;
    const auto error = ErrorOf(*pose, truth);
    sum += error.dot(pose->covariance.ldlt().solve(error));
    if (trial == 0) stated_first = pose->covariance(0, 0);
  }
  EXPECT_GT(stated_first, 0.0);
  const double mean = sum / kTrials;
  RecordProperty("nees", std::to_string(mean));
  EXPECT_GT(mean, 9.0 - 4 * 0.3);
  EXPECT_LT(mean, 9.0 + 4 * 0.3 + 0.3)
      << "0.3: the noise itself is estimated from about 140 residuals";
}

TEST(SolveRigPose, TakesUpTheEdgeGrowthOfEachBar) {
  const Rig rig = TwoBars();
  Truth truth;
  truth.growth_mm = {-0.08, 0.05};
  for (const bool with_points : {true, false}) {
    const auto pose =
        SolveRigPose(Observe(rig, truth, 0.1, nullptr, with_points), rig, PhoneCamera());
    ASSERT_TRUE(pose) << pose.error().message;
    ASSERT_EQ(pose->edge_growth_mm.size(), 2u);
    EXPECT_NEAR(pose->edge_growth_mm[0], -0.08, 0.002);
    EXPECT_NEAR(pose->edge_growth_mm[1], 0.05, 0.002);
    const Eigen::Vector3d error_mm = pose->camera_from_rig.inverse().translation() -
                                     truth.camera_from_rig.inverse().translation();
    EXPECT_LT(error_mm.norm(), 0.05);
  }
}

TEST(SolveRigPose, DropsATagThatContradictsTheOthersAndSaysSo) {
  const Rig rig = TwoBars();
  const Truth truth;
  std::mt19937 random(3);
  RigObservations seen = Observe(rig, truth, 0.1, &random);
  for (Eigen::Vector2d& corner : seen.tags[5].corners_px) corner += Eigen::Vector2d(300, -40);
  for (Eigen::Vector2d& corner : seen.tags[8].corners_px) corner += Eigen::Vector2d(4, 3);
  seen.points[3].position_px.x() += 5.0;
  const auto pose = SolveRigPose(seen, rig, PhoneCamera());
  ASSERT_TRUE(pose) << pose.error().message;
  EXPECT_EQ(pose->tags_used, 14);
  EXPECT_EQ(pose->points_used, 15);
  EXPECT_THAT(pose->warnings, testing::Contains(HasSubstr("tag 42 was not used")));
  EXPECT_THAT(pose->warnings, testing::Contains(HasSubstr("tag 4 was not used")));
  const auto error = ErrorOf(*pose, truth);
  EXPECT_LT(error.dot(pose->covariance.ldlt().solve(error)), 28.0) << "chi-square of 9 at 0.999";
}

TEST(SolveRigPose, RefusesAPhotoOfOneBar) {
  const Rig rig = TwoBars();
  RigObservations pickup_only = Observe(rig, Truth{}, 0.1, nullptr);
  KeepTags(pickup_only, [](int id) { return id < 7; });
  const auto far = SolveRigPose(pickup_only, rig, PhoneCamera());
  ASSERT_FALSE(far);
  EXPECT_EQ(far.error().message,
            "found 7 of 16 tags, all on the pickup bar; take the photo with the whole mount bar in "
            "view");
  RigObservations mount_only = Observe(rig, Truth{}, 0.1, nullptr);
  KeepTags(mount_only, [](int id) { return id >= 40; });
  const auto near = SolveRigPose(mount_only, rig, PhoneCamera());
  ASSERT_FALSE(near);
  EXPECT_THAT(near.error().message, HasSubstr("all on the mount bar"));
}

TEST(SolveRigPose, RefusesTooFewTagsAndNone) {
  const Rig rig = TwoBars();
  const auto none = SolveRigPose({}, rig, PhoneCamera());
  ASSERT_FALSE(none);
  EXPECT_THAT(none.error().message, HasSubstr("no tag of the rig found"));
  RigObservations three = Observe(rig, Truth{}, 0.1, nullptr);
  KeepTags(three, [](int id) { return id == 0 || id == 40 || id == 41; });
  const auto few = SolveRigPose(three, rig, PhoneCamera());
  ASSERT_FALSE(few);
  EXPECT_THAT(few.error().message, HasSubstr("found 3 of 16 tags"));
}

TEST(SolveRigPose, WarnsWhereOneBarHangsOnOneTag) {
  const Rig rig = TwoBars();
  RigObservations seen = Observe(rig, Truth{}, 0.1, nullptr);
  KeepTags(seen, [](int id) { return id <= 40; });
  const auto pose = SolveRigPose(seen, rig, PhoneCamera());
  ASSERT_TRUE(pose) << pose.error().message;
  EXPECT_THAT(pose->warnings, testing::Contains(HasSubstr("only 1 tag of the mount bar")));
}

TEST(SolveRigPose, RefusesMirroredAndTurnedPictures) {
  const Rig rig = TwoBars();
  RigObservations mirrored = Observe(rig, Truth{}, 0.1, nullptr);
  for (TagObservation& tag : mirrored.tags) {
    for (Eigen::Vector2d& corner : tag.corners_px) corner.x() = 4031.0 - corner.x();
  }
  for (PointObservation& point : mirrored.points)
    point.position_px.x() = 4031.0 - point.position_px.x();
  const auto flipped = SolveRigPose(mirrored, rig, PhoneCamera());
  ASSERT_FALSE(flipped);
  EXPECT_THAT(flipped.error().message, HasSubstr("mirrored"));

  for (const double roll_rad : {90 * kDeg, -90 * kDeg, 180 * kDeg}) {
    Truth truth;
    truth.camera_from_rig = LookAt({-60, -125, -410}, {0, 0, -30}, roll_rad);
    const auto turned = SolveRigPose(Observe(rig, truth, 0.1, nullptr), rig, PhoneCamera());
    ASSERT_FALSE(turned);
    EXPECT_THAT(turned.error().message, HasSubstr("the picture is turned"));
  }
}

TEST(SolveRigPose, RefusesARigThatDoesNotFitAndBadOptions) {
  const Rig rig = TwoBars();
  Rig other = rig;
  for (RigTag& tag : other.tags) {
    for (Eigen::Vector3d& corner : tag.corners_mm) corner.x() *= tag.id % 3 == 0 ? 1.2 : 0.85;
  }
  const auto wrong = SolveRigPose(Observe(rig, Truth{}, 0.1, nullptr), other, PhoneCamera());
  ASSERT_FALSE(wrong);
  EXPECT_THAT(wrong.error().message, HasSubstr("rig file"));
  RigPoseOptions options;
  options.focal_scale_sigma = 0.0;
  const auto bad = SolveRigPose(Observe(rig, Truth{}, 0.1, nullptr), rig, PhoneCamera(), options);
  ASSERT_FALSE(bad);
  EXPECT_THAT(bad.error().message, HasSubstr("focal_scale_sigma"));
}

}  // namespace
}  // namespace tinesight
