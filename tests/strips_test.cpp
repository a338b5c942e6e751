#include "calibration/strips.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <limits>
#include <opencv2/aruco.hpp>
#include <opencv2/imgproc.hpp>
#include <utility>
#include <vector>

namespace tinesight {
namespace {

using ::testing::HasSubstr;

constexpr double kNumericalMm = 1e-9;

TEST(StripGeometry, NominalRigIsTheDrawing) {
  const Rig rig = NominalRig();
  ASSERT_EQ(rig.tags.size(), 40U);
  ASSERT_EQ(rig.points.size(), 42U);
  struct Expected {
    int id;
    Eigen::Vector3d top_left_mm;
  };
  for (const Expected& e : {Expected{0, {-177.0, -31.0, 30.0}}, Expected{19, {165.0, -31.0, 30.0}},
                            Expected{40, {-177.0, 11.0, -205.0}},
                            Expected{59, {165.0, 11.0, -205.0}}, Expected{10, {3, -31.0, 30.0}}}) {
    const RigTag* tag = rig.FindTag(e.id);
    ASSERT_NE(tag, nullptr) << e.id;
    const std::array<Eigen::Vector3d, 4> offsets{
        Eigen::Vector3d(0, 0, 0), {12, 0, 0}, {12, 12, 0}, {0, 12, 0}};
    for (std::size_t i = 0; i < 4; ++i) {
      EXPECT_LE((tag->corners_mm[i] - e.top_left_mm - offsets[i]).norm(), kNumericalMm)
          << "tag " << e.id << " corner " << i;
    }
  }
  for (const auto& [id, x_mm] : {std::pair{0, -180.0}, {10, 0.0}, {20, 180.0}}) {
    const RigPoint* pickup = rig.FindPoint(id);
    const RigPoint* mount = rig.FindPoint(id + 40);
    ASSERT_TRUE(pickup != nullptr && mount != nullptr);
    EXPECT_LE((pickup->position_mm - Eigen::Vector3d(x_mm, -25, 30)).norm(), kNumericalMm);
    EXPECT_LE((mount->position_mm - Eigen::Vector3d(x_mm, 17, -205)).norm(), kNumericalMm);
  }
}

TEST(StripGeometry, TagOutlinesFillExactlyTheBlackCells) {
  for (const int id : {0, 19, 40, 59, 228, 300, 586}) {
    cv::Mat cells;
    cv::aruco::drawMarker(cv::aruco::getPredefinedDictionary(cv::aruco::DICT_APRILTAG_36h11), id, 8,
                          cells, 1);
    const auto outlines = TagOutlines(id, 8.0);  // a cell is 1 mm
    for (int row = 0; row < 8; ++row) {
      for (int column = 0; column < 8; ++column) {
        int inside = 0;
        for (const OutlineMm& outline : outlines) {
          std::vector<cv::Point2f> polygon;
          for (const auto& corner : outline) {
            polygon.emplace_back(static_cast<float>(corner.x()), static_cast<float>(corner.y()));
          }
          const cv::Point2f center(static_cast<float>(column) + 0.5F,
                                   static_cast<float>(row) + 0.5F);
          if (cv::pointPolygonTest(polygon, center, false) > 0) ++inside;
        }
        EXPECT_EQ(inside % 2 == 1, cells.at<unsigned char>(row, column) == 0)
            << "tag " << id << " row " << row << " column " << column;
      }
    }
  }
}

TEST(StripGeometry, CutsNeverCrossAMark) {
  for (double usable_mm = 40.0; usable_mm <= 400.0; usable_mm += 7.3) {
    const auto pieces = CutStrip(usable_mm, 10.0);
    ASSERT_TRUE(pieces) << usable_mm << ": " << pieces.error().message;
    EXPECT_EQ(pieces->front().begin_mm, -184.0);
    EXPECT_EQ(pieces->back().end_mm, 184.0);
    for (std::size_t i = 0; i < pieces->size(); ++i) {
      const bool last = i + 1 == pieces->size();
      EXPECT_LE((*pieces)[i].end_mm - (*pieces)[i].begin_mm + (last ? 0.0 : 10.0), usable_mm);
      if (last) continue;
      const double cut_mm = (*pieces)[i].end_mm;
      EXPECT_EQ(cut_mm, (*pieces)[i + 1].begin_mm);
      for (int tag = 0; tag < 20; ++tag) EXPECT_GT(std::abs(cut_mm - TagCenterXMm(tag)), 6.4);
      for (int j = 0; j <= 20; ++j) EXPECT_GT(std::abs(cut_mm - SaddleXMm(j)), 2.4);
    }
  }
  EXPECT_FALSE(CutStrip(20.0, 10.0));
}

TEST(StripScale, CaliperReadingsScaleAboutEachStripsMiddle) {
  StripOptions options;
  options.measured_along_mm = 99.6;
  options.measured_across_mm = 99.8;
  const auto rig = PrintedRig(options);
  ASSERT_TRUE(rig);
  const RigTag* tag = rig->FindTag(59);
  ASSERT_NE(tag, nullptr);
  EXPECT_NEAR(tag->corners_mm[0].x(), 165.0 * 0.996, kNumericalMm);
  EXPECT_NEAR(tag->corners_mm[0].y(), 17.0 - 6.0 * 0.998, kNumericalMm);
  EXPECT_NEAR(tag->corners_mm[2].x(), 177.0 * 0.996, kNumericalMm);
  EXPECT_NEAR(tag->corners_mm[2].y(), 17.0 + 6.0 * 0.998, kNumericalMm);
  EXPECT_EQ(tag->corners_mm[2].z(), -205.0);
  EXPECT_NEAR(rig->FindPoint(0)->position_mm.x(), -180.0 * 0.996, kNumericalMm);
  EXPECT_EQ(rig->FindPoint(0)->position_mm.y(), -25.0);
}

TEST(StripScale, UncertaintyIsLargeWithoutReadingAndSmallWithOne) {
  const auto unread = PrintedRig({});
  ASSERT_TRUE(unread);
  // 0.5 % of 177 mm (far corner of the last tag) and of 6 mm, and 0.1 mm of placement:
  // sqrt(0.885² + 0.03² + 0.1²) = 0.8911.
  EXPECT_NEAR(unread->FindTag(0)->u_mm, 0.8911, 1e-4);
  EXPECT_NEAR(unread->FindPoint(10)->u_mm, 0.1, kNumericalMm);
  StripOptions options;
  options.measured_along_mm = 100.0;
  options.measured_across_mm = 100.0;
  const auto read = PrintedRig(options);
  ASSERT_TRUE(read);
  // 0.05 mm in 100 mm: sqrt(0.0885² + 0.003² + 0.1²) = 0.1336.
  EXPECT_NEAR(read->FindTag(0)->u_mm, 0.1336, 1e-4);
  EXPECT_NEAR(read->FindPoint(0)->u_mm, std::hypot(0.09, 0.1), kNumericalMm);
}

TEST(StripScale, RefusesReadingsThatNoFullSizePrintHas) {
  for (const double reading_mm :
       {94.99, 105.01, 9.96, 0.0, -99.6, std::numeric_limits<double>::quiet_NaN()}) {
    StripOptions along;
    along.measured_along_mm = reading_mm;
    const auto rig = PrintedRig(along);
    ASSERT_FALSE(rig) << reading_mm;
    EXPECT_THAT(rig.error().message, HasSubstr("along"));
    EXPECT_THAT(rig.error().message, HasSubstr("95 to 105 mm"));
    StripOptions across;
    across.measured_across_mm = reading_mm;
    EXPECT_FALSE(PrintedRig(across)) << reading_mm;
  }
  for (const double reading_mm : {95.0, 105.0}) {
    StripOptions options;
    options.measured_along_mm = options.measured_across_mm = reading_mm;
    EXPECT_TRUE(PrintedRig(options)) << reading_mm;
  }
  StripOptions options;
  options.placement_u_mm = 0.0;
  EXPECT_FALSE(options.Validate());
}

}  // namespace
}  // namespace tinesight
