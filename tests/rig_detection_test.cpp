#include "vision/rig_detection.hpp"

#include <gtest/gtest.h>

#include <Eigen/Geometry>
#include <map>

#include "tests/facing_tag.hpp"
#include "tests/tag_scene.hpp"

namespace tinesight {
namespace {

using test::FacingTag;
using test::Lens;
using test::TagPaper;

constexpr int kTagsPerBar = 8;
constexpr int kCardId = 248;
const Eigen::Vector3d kCardCorner_mm(-32.0, -12.0, 30.0);
constexpr double kCardSide_mm = 9.0;

struct Bar {
  int first_id;
  double y_mm;
  double z_mm;
};
constexpr Bar kPickup{0, -25.0, 30.0};
constexpr Bar kMount{40, 17.0, -205.0};

double TagX(int index) { return 18.0 * (index - 0.5 * (kTagsPerBar - 1)); }

/// Two strips as printed by default, of eight tags: saddle points at both ends of every tag.
Rig StripRig() {
  Rig rig;
  for (const Bar& bar : {kPickup, kMount}) {
    for (int i = 0; i < kTagsPerBar; ++i) {
      rig.tags.push_back(FacingTag(bar.first_id + i, {TagX(i), bar.y_mm, bar.z_mm}, 0.01));
    }
    for (int i = 0; i <= kTagsPerBar; ++i) {
      rig.points.push_back({bar.first_id + i, {TagX(i) - 9.0, bar.y_mm, bar.z_mm}, 0.01});
    }
  }
  return rig;
}

Camera SmallCamera() {
  Camera camera;
  camera.width_px = 1600;
  camera.height_px = 1200;
  camera.fx_px = camera.fy_px = 2100.0;
  camera.cx_px = 802.3;
  camera.cy_px = 597.8;
  return camera;
}

Eigen::Isometry3d TruePose() {
  Eigen::Isometry3d pose = Eigen::Isometry3d::Identity();
  pose.linear() = (Eigen::AngleAxisd(0.03, Eigen::Vector3d::UnitZ()) *
                   Eigen::AngleAxisd(-0.28, Eigen::Vector3d::UnitX()) *
                   Eigen::AngleAxisd(0.10, Eigen::Vector3d::UnitY()))
                      .toRotationMatrix();
  pose.translation() = Eigen::Vector3d(5.0, 10.0, 420.0);
  return pose;
}

/// Light of the strip's paper at (x, y) mm of a bar; −1 beside it.
double PaperLight(const Bar& bar, const std::map<int, TagPaper>& papers, double x, double y) {
  constexpr double kWhite = 0.7;
  constexpr double kBlack = 0.05;
  const double half_mm = 9.0 * kTagsPerBar + 4.0;
  if (std::abs(y) > 9.0 || std::abs(x) > half_mm) return -1.0;
  for (int i = 0; i < kTagsPerBar; ++i) {
    const double u = (x - TagX(i) + 6.0) / 1.5;
    const double v = (y + 6.0) / 1.5;
    if (u >= 0 && u < 8 && v >= 0 && v < 8) {
      return papers.at(bar.first_id + i).IsWhite(u, v, 0.0) ? kWhite : kBlack;
    }
  }
  // Two squares of 2 mm, upper left and lower right of each point.
  const double to_point = x - 18.0 * std::round((x - TagX(0) + 9.0) / 18.0) - (TagX(0) - 9.0);
  if (std::abs(to_point) < 2.0 && std::abs(y) < 2.0 && to_point * y > 0.0) return kBlack;
  return kWhite;
}

/// A photo of the rig, a register card under the pickup bar, and what must not be believed: tag 3
/// once more far from the bar, and a card far from everything.
cv::Mat RigPhoto(double pickup_blur_px, double mount_blur_px, double noise) {
  std::map<int, TagPaper> papers;
  for (const Bar& bar : {kPickup, kMount}) {
    for (int i = 0; i < kTagsPerBar; ++i) papers.emplace(bar.first_id + i, bar.first_id + i);
  }
  const TagPaper card(kCardId);
  const Camera camera = SmallCamera();
  const Eigen::Isometry3d rig_from_camera = TruePose().inverse();
  const auto on_plane = [&](double x, double y, double z_mm) -> Eigen::Vector3d {
    const Eigen::Vector3d ray =
        rig_from_camera.linear() *
        Eigen::Vector3d((x - camera.cx_px) / camera.fx_px, (y - camera.cy_px) / camera.fy_px, 1.0);
    const Eigen::Vector3d origin = rig_from_camera.translation();
    return origin + ray * ((z_mm - origin.z()) / ray.z());
  };
  constexpr double kBackground = 0.15;
  const cv::Mat far =
      test::Supersample(camera.width_px, camera.height_px, 4, [&](double x, double y) {
        const Eigen::Vector3d p = on_plane(x, y, kPickup.z_mm);
        const double light = PaperLight(kPickup, papers, p.x(), p.y() - kPickup.y_mm);
        if (light >= 0.0) return light;
        const Eigen::Vector3d c = p - kCardCorner_mm;
        if (c.x() > -1.5 && c.y() > -1.5 && c.x() < kCardSide_mm + 1.5 &&
            c.y() < kCardSide_mm + 1.5) {
          return card.IsWhite(c.x() * 8 / kCardSide_mm, c.y() * 8 / kCardSide_mm, 0.0) ? 0.7 : 0.05;
        }
        if (x > 1350 && y > 60 && x < 1550 && y < 160) {
          const TagPaper& false_tag = x < 1450 ? papers.at(3) : card;
          const double from = x < 1450 ? 1350 : 1450;
          return false_tag.IsWhite((x - from - 18) / 8.0, (y - 78) / 8.0, 0.0) ? 0.7 : 0.05;
        }
        return kBackground;
      });
  const cv::Mat near =
      test::Supersample(camera.width_px, camera.height_px, 4, [&](double x, double y) {
        const Eigen::Vector3d p = on_plane(x, y, kMount.z_mm);
        const double light = PaperLight(kMount, papers, p.x(), p.y() - kMount.y_mm);
        return light >= 0.0 ? light : kBackground;
      });
  cv::Mat far_blurred;
  cv::Mat near_blurred;
  cv::GaussianBlur(far, far_blurred, cv::Size(), pickup_blur_px);
  cv::GaussianBlur(near, near_blurred, cv::Size(), mount_blur_px);
  Lens lens;
  lens.blur_px = 0.0;
  lens.gamma = 2.2;
  lens.noise = noise;
  return test::Expose(far_blurred + near_blurred - kBackground, lens);
}

Eigen::Vector2d TruePx(const Eigen::Vector3d& point_mm) {
  return SmallCamera().Project(TruePose() * point_mm);
}

class RigPhotoTest : public testing::Test {
 protected:
  static void SetUpTestSuite() { photo_ = new cv::Mat(RigPhoto(0.8, 3.0, 2.0)); }
  static void TearDownTestSuite() {
    delete photo_;
    photo_ = nullptr;
  }
  static cv::Mat* photo_;
  const Rig rig_ = StripRig();
};
cv::Mat* RigPhotoTest::photo_ = nullptr;

TEST_F(RigPhotoTest, FindsEveryTagAndTheCardAndNothingElse) {
  const RigObservations seen = DetectTags(*photo_, rig_);
  EXPECT_EQ(seen.tags.size(), rig_.tags.size() + 1);
  double square = 0.0;
  double whitened = 0.0;
  int count = 0;
  for (const TagObservation& tag : seen.tags) {
    const RigTag* on_rig = rig_.FindTag(tag.id);
    if (on_rig == nullptr) {
      EXPECT_EQ(tag.id, kCardId);
      EXPECT_LT((tag.corners_px[0] - TruePx(kCardCorner_mm)).norm(), 0.2);
      continue;
    }
    for (std::size_t k = 0; k < 4; ++k) {
      const Eigen::Vector2d error = tag.corners_px[k] - TruePx(on_rig->corners_mm[k]);
      EXPECT_LT(error.norm(), 0.5) << "tag " << tag.id << " corner " << k;
      square += error.squaredNorm();
      whitened += error.squaredNorm() / (2.0 * tag.sigma_px * tag.sigma_px);
      ++count;
    }
    EXPECT_NEAR(tag.blur_px, tag.id >= 40 ? 3.0 : 0.8, tag.id >= 40 ? 0.4 : 0.25);
  }
  EXPECT_LT(std::sqrt(square / count), 0.12);
  // Stated against found, over 64 corners of which the 4 of a tag err alike.
  EXPECT_GT(whitened / count, 0.3);
  EXPECT_LT(whitened / count, 2.5);
}

TEST_F(RigPhotoTest, PoseAndSaddlePointsComeOutOfTheSamePhoto) {
  RigObservations seen = DetectTags(*photo_, rig_);
  const auto first = SolveRigPose(seen, rig_, SmallCamera());
  ASSERT_TRUE(first) << first.error().message;
  RefineRigPoints(*photo_, rig_, SmallCamera(), *first, seen);
  int far_points = 0;
  for (const PointObservation& point : seen.points) {
    const double error = (point.position_px - TruePx(rig_.FindPoint(point.id)->position_mm)).norm();
    EXPECT_LT(error, 4.5 * point.sigma_px) << "point " << point.id;
    EXPECT_LT(error, 0.5) << "point " << point.id;
    if (point.id < 40) ++far_points;
  }
  EXPECT_EQ(far_points, kTagsPerBar + 1) << "all of the sharp bar";
  const auto pose = SolveRigPose(seen, rig_, SmallCamera());
  ASSERT_TRUE(pose) << pose.error().message;
  EXPECT_TRUE(pose->both_bars);
  EXPECT_EQ(pose->points_used, static_cast<int>(seen.points.size()));
  // Where a tine's tip would be.
  const Camera camera = pose->PhotoCamera(SmallCamera());
  for (const double x_mm : {-60.0, 0.0, 60.0}) {
    const Eigen::Vector3d tip_mm(x_mm, 1.0, -1.5);
    EXPECT_LT((camera.Project(pose->camera_from_rig * tip_mm) - TruePx(tip_mm)).norm(), 0.1);
  }
}

TEST_F(RigPhotoTest, PointsThatBlurHasWipedOutAreLeftOut) {
  const cv::Mat photo = RigPhoto(0.8, 12.0, 2.0);
  RigObservations seen;
  RigPose pose;
  pose.camera_from_rig = TruePose();
  RefineRigPoints(photo, rig_, SmallCamera(), pose, seen);
  for (const PointObservation& point : seen.points) EXPECT_LT(point.id, 40);
}

TEST_F(RigPhotoTest, AFlippedPictureIsRecognizedAsMirrored) {
  cv::Mat flipped;
  cv::flip(*photo_, flipped, 1);
  EXPECT_TRUE(LooksMirrored(flipped, rig_));
  EXPECT_FALSE(LooksMirrored(*photo_, rig_));
  EXPECT_TRUE(DetectTags(flipped, rig_).tags.empty());
  const cv::Mat empty(1200, 1600, CV_8U, cv::Scalar(90));
  EXPECT_FALSE(LooksMirrored(empty, rig_));
  EXPECT_TRUE(DetectTags(empty, rig_).tags.empty());
}

TEST_F(RigPhotoTest, AHiddenTagIsNotInvented) {
  cv::Mat photo = photo_->clone();
  const Eigen::Vector2d center = TruePx(rig_.FindTag(4)->CenterMm());
  cv::circle(photo, cv::Point(static_cast<int>(center.x()), static_cast<int>(center.y())), 40,
             cv::Scalar(120), cv::FILLED);
  for (const TagObservation& tag : DetectTags(photo, rig_).tags) EXPECT_NE(tag.id, 4);
}

}  // namespace
}  // namespace tinesight
