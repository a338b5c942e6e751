// The survey on synthetic observations; whether it is as uncertain as it says, and what else takes
// it several solves, is in survey_slow_test.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <random>

#include "tests/survey_scene.hpp"

namespace tinesight::test {
namespace {

TEST(Survey, ATagOnlyRigIsSurveyedToo) {
  const Scene scene = MakeScene({.seed = 3, .with_points = false});
  const auto survey = SurveyRig(scene.photos, scene.nominal, Options());
  ASSERT_TRUE(survey) << survey.error().message;
  const auto& u = *survey->camera.standard_uncertainty;
  EXPECT_LT(std::abs(survey->camera.fx_px - scene.camera.fx_px), 4.0 * u[0]);
  EXPECT_LT(std::sqrt(MeanSquare(ShapeErrors(survey->rig, scene.real))), 0.05);
}

TEST(Survey, EdgeGrowthIsRemovedFromTheTagsAndReportedByPhoto) {
  const Scene scene = MakeScene({.seed = 4});
  const auto survey = SurveyRig(scene.photos, scene.nominal, Options());
  ASSERT_TRUE(survey) << survey.error().message;
  // The sides of the surveyed tags are those of the print (12 mm, ×0.9985 along), not the grown
  // ones (0.08 mm more). A mean of 40 sides.
  double along = 0.0;
  double across = 0.0;
  for (const RigTag& tag : survey->rig.tags) {
    along += (tag.corners_mm[1] - tag.corners_mm[0]).norm() / 40.0;
    across += (tag.corners_mm[3] - tag.corners_mm[0]).norm() / 40.0;
  }
  // Along, the pitch of the saddle points tells the scale; its absolute value rests on the rig
  // file (known to 0.2 % here: 0.024 mm on a side). Across there is only the tag itself.
  EXPECT_NEAR(along, 12.0 * 0.9985, 0.03);
  EXPECT_NEAR(across, 12.0, 0.05);
  for (const SurveyPhotoReport& photo : survey->photos) {
    for (const double growth_mm : photo.pose.edge_growth_mm) {
      EXPECT_GT(growth_mm, -0.01);
      EXPECT_LT(growth_mm, 0.09);
    }
  }
}

TEST(Survey, KeepsTheFrameOfThePickupBar) {
  const Scene scene = MakeScene({.seed = 5});
  const auto survey = SurveyRig(scene.photos, scene.nominal, Options());
  ASSERT_TRUE(survey) << survey.error().message;
  Eigen::Vector3d shift = Eigen::Vector3d::Zero();
  for (std::size_t i = 0; i < 20; ++i) {
    shift += (survey->rig.tags[i].CenterMm() - scene.nominal.tags[i].CenterMm()) / 20.0;
  }
  EXPECT_LT(shift.norm(), 0.05);
  ASSERT_EQ(survey->placement.size(), 2U);
  // The mount bar stands 1.2° and (3.1, −2.2, 4.0) mm off in the scene; the frame of the pickup bar
  // is only as good as a bar of 360 × 12 mm can carry it across 235 mm: its turn about its own
  // length is known from waves of 0.05 mm over ±6 mm, which is a tenth of a degree.
  EXPECT_NEAR(survey->placement[0].turn_rad, 1.2 * kRadPerDeg, 0.4 * kRadPerDeg);
  EXPECT_NEAR(survey->placement[0].shift_mm.x(), 3.1, 0.5);
}

TEST(Survey, WrongTagsAreLeftOutAndCounted) {
  const Scene clean = MakeScene({.seed = 6});
  const Scene scene = MakeScene({.seed = 6, .wrong_tags = 3});
  const auto survey = SurveyRig(scene.photos, scene.nominal, Options());
  ASSERT_TRUE(survey) << survey.error().message;
  EXPECT_GE(survey->photos[1].rejected, 12);  // four corners of three tags
  EXPECT_LE(survey->photos[1].rejected, 14);
  const auto& u = *survey->camera.standard_uncertainty;
  EXPECT_LT(std::abs(survey->camera.fx_px - scene.camera.fx_px), 4.0 * u[0]);
  EXPECT_LT(std::sqrt(MeanSquare(ShapeErrors(survey->rig, scene.real))), 0.04);
}

/// Makes all marks of a photo less certain.
void Shake(double sigma_px, SurveyPhoto& photo) {
  std::mt19937 random(8);
  std::normal_distribution<double> shake_px(0.0, sigma_px);
  const auto shake = [&](Eigen::Vector2d& mark_px) {
    mark_px += Eigen::Vector2d(shake_px(random), shake_px(random));
  };
  for (TagObservation& tag : photo.observations.tags) {
    for (auto& corner : tag.corners_px) shake(corner);
  }
  for (PointObservation& point : photo.observations.points) shake(point.position_px);
}

TEST(Survey, NamesThePhotoThatFitsWorst) {
  constexpr std::size_t kShaken = 4;
  for (const double sigma_px : {0.8, 3.0}) {
    Scene scene = MakeScene({.seed = 8});
    Shake(sigma_px, scene.photos[kShaken]);
    const auto survey = SurveyRig(scene.photos, scene.nominal, Options());
    ASSERT_TRUE(survey) << survey.error().message;
    for (std::size_t i = 0; i < survey->photos.size(); ++i) {
      const SurveyPhotoReport& photo = survey->photos[i];
      EXPECT_EQ(photo.residual_flagged || photo.rejected_flagged, i == kShaken)
          << i << " at " << sigma_px << ": " << photo.rms_px << " px, " << photo.rejected;
    }
    EXPECT_THAT(survey->warnings, ::testing::Contains(::testing::AllOf(
                                      ::testing::StartsWith(scene.photos[kShaken].name + ": "),
                                      ::testing::HasSubstr("take it again, steadier"))));
  }
}

TEST(Survey, StatesHowFarThePhotosScatterAboutTheMeanFocus) {
  const Scene scene = MakeScene({.seed = 10});
  const auto survey = SurveyRig(scene.photos, scene.nominal, Options());
  ASSERT_TRUE(survey) << survey.error().message;
  // Focal scales uniform within ± 1.5 %: 0.87 %, which 12 of them tell to 0.12 %.
  constexpr double kScatter = 0.015 / 1.7320508;
  EXPECT_NEAR(survey->focal_scale_scatter, kScatter, 4 * 0.0012);
  EXPECT_GT(survey->focal_scale_scatter * survey->camera.fx_px,
            4.0 * (*survey->camera.standard_uncertainty)[0])
      << "the uncertainty of the mean is not that of one photo";
}

std::string Refusal(const Scene& scene) {
  const auto survey = SurveyRig(scene.photos, scene.nominal, Options());
  return survey ? "" : survey.error().message;
}

TEST(SurveyRefuses, TooFewPhotos) {
  SceneOptions options;
  options.views.resize(4);
  EXPECT_THAT(Refusal(MakeScene(options)), testing::HasSubstr("only 4 of 4 photos"));
}

TEST(SurveyRefuses, TooFewPhotosOfOneFocalLengthAndNamesTheOther) {
  SceneOptions options;
  options.views.resize(5);
  Scene scene = MakeScene(options);
  Zoom(1.27, scene.photos[2]);
  EXPECT_THAT(Refusal(scene), testing::AllOf(testing::HasSubstr("only 4 of 5 photos can be used"),
                                             testing::HasSubstr("photo 3 has a focal length 2")));
}

TEST(SurveyRefuses, OneBarOnly) {
  EXPECT_THAT(Refusal(MakeScene({.pickup_bar_only = true})),
              testing::HasSubstr("no photo shows the mount bar"));
}

TEST(SurveyRefuses, TooLittleOfTheImage) {
  const std::string reason = Refusal(MakeScene({.window = 0.45}));
  EXPECT_THAT(reason, testing::HasSubstr("% of the image"));
  EXPECT_THAT(reason, testing::HasSubstr("corner"));
}

TEST(SurveyRefuses, TheSameDirectionInAllPhotos) {
  SceneOptions options;
  options.views.clear();
  for (int i = 0; i < 8; ++i) {
    options.views.push_back({0.4 * i,
                             30.0,
                             380.0 + 10.0 * i,
                             i % 2 == 0 ? 0.0 : 90.0,
                             {20.0 * (i % 3) - 20.0, 10.0 * (i % 2), -90.0}});
  }
  EXPECT_THAT(Refusal(MakeScene(options)), testing::HasSubstr("same direction"));
}

TEST(SurveyRefuses, ARigFileOfOtherStrips) {
  Scene scene = MakeScene({.seed = 2});
  for (RigTag& tag : scene.nominal.tags) {  // the tags in the wrong order along the bar
    const int other = tag.id < 20 ? 19 - tag.id : 99 - tag.id;
    for (auto& corner : tag.corners_mm) {
      corner.x() += 2.0 * ((other % 20) - 9.5) * 18.0;
    }
  }
  EXPECT_THAT(Refusal(scene), testing::HasSubstr("rig file"));
}

TEST(SurveySuggests, WhatIsMissing) {
  CoverageMap map;
  map.marks.fill(1);
  EXPECT_TRUE(EmptyRegions(map).empty());
  for (const int cell : {32, 33, 40, 41}) map.marks[static_cast<std::size_t>(cell)] = 0;
  EXPECT_THAT(EmptyRegions(map), testing::ElementsAre("lower-left corner"));
  EXPECT_NEAR(map.Share(), 44.0 / 48.0, 1e-12);

  SceneOptions options;
  options.views = {{0, 30, 450, 0, {0, 0, -90}},   {20, 30, 450, 0, {10, 0, -90}},
                   {-8, 35, 450, 0, {0, 20, -90}}, {5, 40, 450, 0, {0, -20, -90}},
                   {0, 25, 450, 0, {-10, 0, -90}}, {10, 45, 450, 0, {0, 0, -90}}};
  const Scene scene = MakeScene(options);
  auto lenient = Options();
  lenient.refuse_poor_sets = false;
  const auto survey = SurveyRig(scene.photos, scene.nominal, lenient);
  ASSERT_TRUE(survey) << survey.error().message;
  EXPECT_THAT(survey->suggestions, testing::Contains(testing::HasSubstr("same distance")));
  EXPECT_THAT(survey->suggestions, testing::Contains(testing::HasSubstr("by 90°")));
  EXPECT_THAT(survey->suggestions, testing::Contains(testing::HasSubstr("6 photos more")));
}

}  // namespace
}  // namespace tinesight::test
