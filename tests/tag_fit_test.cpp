#include "vision/tag_fit.hpp"

#include <gtest/gtest.h>

#include "tests/tag_scene.hpp"

namespace tinesight {
namespace {

using test::Corners;
using test::DrawTagPhoto;
using test::Lens;

/// A tag about 165 px wide in a slight perspective, nothing at whole px: cells of 20 px as on the
/// mount bar.
Corners LargeTag() {
  return {Eigen::Vector2d(62.37, 58.81), {226.58, 66.13}, {221.24, 223.72}, {57.93, 214.46}};
}

Corners SmallTag() {
  return {Eigen::Vector2d(62.37, 58.81), {142.58, 61.13}, {141.24, 140.72}, {60.93, 137.46}};
}

TagCorners Disturbed(const Corners& corners, double by_px) {
  return {corners[0] + Eigen::Vector2d(by_px, -by_px), corners[1] + Eigen::Vector2d(by_px, by_px),
          corners[2] + Eigen::Vector2d(-0.5 * by_px, by_px),
          corners[3] + Eigen::Vector2d(0, by_px)};
}

Eigen::Vector2d MeanError(const TagFit& fit, const Corners& truth) {
  Eigen::Vector2d mean = Eigen::Vector2d::Zero();
  for (std::size_t k = 0; k < 4; ++k) mean += 0.25 * (fit.corners_px[k] - truth[k]);
  return mean;
}

double WorstError(const TagFit& fit, const Corners& truth) {
  double worst = 0.0;
  for (std::size_t k = 0; k < 4; ++k) {
    worst = std::max(worst, (fit.corners_px[k] - truth[k]).lpNorm<Eigen::Infinity>());
  }
  return worst;
}

// One px convention: the center of the top-left px at (0, 0). Half a px more or less would show.
TEST(FitTag, CornersOfALinearPictureAreUnbiasedUnderAnyBlur) {
  for (const double blur_px : {0.7, 3.0, 8.0}) {
    Lens lens;
    lens.blur_px = blur_px;
    const auto fit = FitTag(DrawTagPhoto(41, LargeTag(), lens), 41, Disturbed(LargeTag(), 4.0));
    ASSERT_TRUE(fit) << "blur " << blur_px;
    EXPECT_LT(WorstError(*fit, LargeTag()), 0.03) << "blur " << blur_px;
    EXPECT_NEAR(fit->blur_px, std::hypot(blur_px, 0.29), 0.1 * blur_px) << "0.29: the px itself";
    EXPECT_GT(fit->explained, 0.99);
  }
}

TEST(FitTag, SmallSharpTagIsUnbiased) {
  for (const double blur_px : {0.7, 1.5, 3.0}) {
    Lens lens;
    lens.blur_px = blur_px;
    const auto fit = FitTag(DrawTagPhoto(7, SmallTag(), lens), 7, Disturbed(SmallTag(), 2.0));
    ASSERT_TRUE(fit);
    EXPECT_LT(WorstError(*fit, SmallTag()), 0.03) << "blur " << blur_px;
  }
}

// Gamma and ink move a square's outline by up to a px. The pattern knows better: the
// center does not move at all, and a corner at most along its diagonal and by a tenth of a px.
TEST(FitTag, GammaAndInkLeaveTheCenterAndHardlyMoveTheCorners) {
  for (const double blur_px : {0.7, 3.0, 8.0}) {
    for (const double gamma : {1.0, 2.2}) {
      for (const double ink_cells : {-0.033, 0.0, 0.033}) {  // 0.05 mm on the default strip
        Lens lens;
        lens.blur_px = blur_px;
        lens.gamma = gamma;
        const auto fit =
            FitTag(DrawTagPhoto(41, LargeTag(), lens, ink_cells), 41, Disturbed(LargeTag(), 3.0));
        ASSERT_TRUE(fit);
        const auto what = testing::Message()
                          << "blur " << blur_px << " gamma " << gamma << " ink " << ink_cells;
        EXPECT_LT(MeanError(*fit, LargeTag()).norm(), 0.03) << what;
        EXPECT_LT(WorstError(*fit, LargeTag()), 0.25) << what;
        for (std::size_t k = 0; k < 4; ++k) {
          const Eigen::Vector2d diagonal = (LargeTag()[k] - LargeTag()[(k + 2) % 4]).normalized();
          const Eigen::Vector2d error = fit->corners_px[k] - LargeTag()[k];
          EXPECT_LT(std::abs(diagonal.x() * error.y() - diagonal.y() * error.x()), 0.06) << what;
        }
      }
    }
  }
}

TEST(FitTag, StatedSigmaMatchesTheScatterUnderNoise) {
  Lens lens;
  lens.noise = 4.0;
  lens.blur_px = 4.0;
  double square = 0.0;
  double stated = 0.0;
  constexpr int kTrials = 25;
  for (int trial = 0; trial < kTrials; ++trial) {
    lens.seed = static_cast<unsigned>(100 + trial);
    const auto fit = FitTag(DrawTagPhoto(41, LargeTag(), lens), 41, Disturbed(LargeTag(), 3.0));
    ASSERT_TRUE(fit);
    for (std::size_t k = 0; k < 4; ++k) {
      square += (fit->corners_px[k] - LargeTag()[k]).squaredNorm() / (8.0 * kTrials);
    }
    stated += fit->sigma_px / kTrials;
  }
  // 200 coordinates: 5 % from chance; the floor of sigma_px and a tag's common error more.
  EXPECT_GT(stated / std::sqrt(square), 0.75);
  EXPECT_LT(stated / std::sqrt(square), 1.5);
}

TEST(FitTag, AWrongIdExplainsLittle) {
  const cv::Mat photo = DrawTagPhoto(41, LargeTag(), {});
  for (const int id : {0, 3, 42, 248}) {
    const auto fit = FitTag(photo, id, LargeTag());
    EXPECT_TRUE(!fit || fit->explained < 0.7) << id;
  }
}

TEST(FitTag, RefusesWhatIsNoTag) {
  const cv::Mat gray(300, 300, CV_8U, cv::Scalar(128));
  EXPECT_FALSE(FitTag(gray, 41, LargeTag()));
  EXPECT_FALSE(FitTag(DrawTagPhoto(41, LargeTag(), {}), 41, Disturbed(LargeTag(), 1e5)));
  Corners outside = LargeTag();
  for (auto& corner : outside) corner.x() -= 100.0;
  EXPECT_FALSE(FitTag(gray, 41, outside));
  Corners nothing = LargeTag();
  nothing[2].x() = std::nan("");
  EXPECT_FALSE(FitTag(gray, 41, nothing));
}

}  // namespace
}  // namespace tinesight
