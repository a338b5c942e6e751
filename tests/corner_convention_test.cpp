// Where OpenCV's corners are in our px convention, the center of the top-left px at (0, 0): those
// of a checkerboard agree with it, those of two of its fiducial functions are half a px off in
// Debian's 4.6. Whoever mixes them with ours, or gets an OpenCV that has mended it, is told here.
#include <gtest/gtest.h>

#include <Eigen/Geometry>
#include <cmath>
#include <opencv2/aruco/charuco.hpp>
#include <opencv2/calib3d.hpp>
#include <vector>

#include "tests/published_check.hpp"
#include "tests/tag_scene.hpp"
#include "vision/tag_fit.hpp"

namespace tinesight {
namespace {

constexpr int kPhotoSize_px = 320;
constexpr int kSquares = 8;
constexpr int kTexelsPerSquare = 60;
const char* const kSource = "Corner conventions of OpenCV 4.6 in Debian 12";

/// A square seen from straight ahead, side `side_px`, its first corner about (66, 38) px, at nine
/// places within a pixel and turned by up to 0.19 rad: what depends on where the edges cross the
/// pixels averages out. One not turned at all would meet the samples of a pixel at a few places.
std::vector<test::Corners> SquarePlaces(double side_px) {
  std::vector<test::Corners> places;
  for (int i = 0; i < 9; ++i) {
    const Eigen::Matrix2d turn = Eigen::Rotation2Dd(0.03 + 0.02 * i).toRotationMatrix();
    const Eigen::Vector2d right = side_px * turn.col(0);
    const Eigen::Vector2d down = side_px * turn.col(1);
    const int row = i / 3;
    const Eigen::Vector2d first(66.0 + (i % 3) / 3.0, 38.0 + row / 3.0);
    places.push_back({first, first + right, first + right + down, first + down});
  }
  return places;
}

constexpr std::size_t kCrossings = 9U * (kSquares - 1) * (kSquares - 1);  // in all of them

/// Squares of 25.3 px.
std::vector<test::Corners> BoardPlaces() { return SquarePlaces(kSquares * 25.3); }

/// The crossing nearest to what was found: a board may be counted from any of its corners.
Eigen::Vector2d OffNearestCrossing(const cv::Point2f& found, const test::Corners& board) {
  const Eigen::Matrix3d px_from_squares = test::HomographyThrough(board);
  const Eigen::Vector2d found_px(found.x, found.y);
  const Eigen::Vector3d squares = px_from_squares.inverse() * found_px.homogeneous();
  const Eigen::Vector2d crossing = squares.hnormalized().array().round();
  return found_px - (px_from_squares * crossing.homogeneous()).hnormalized();
}

/// A photo of a board whose texels `drawing` has.
cv::Mat PhotoOf(const cv::Mat1b& drawing, const test::Corners& board) {
  const Eigen::Matrix3d squares_from_px = test::HomographyThrough(board).inverse();
  const cv::Mat light = test::Supersample(kPhotoSize_px, kPhotoSize_px, 8, [&](double x, double y) {
    const Eigen::Vector2d texel =
        kTexelsPerSquare * (squares_from_px * Eigen::Vector3d(x, y, 1.0)).hnormalized();
    const cv::Point at(static_cast<int>(std::floor(texel.x())),
                       static_cast<int>(std::floor(texel.y())));
    const bool black = cv::Rect({}, drawing.size()).contains(at) && drawing(at) == 0;
    return black ? 0.06 : 0.75;
  });
  return test::Expose(light, {});
}

/// Checks how far corners are off, mean of x and y each, against what was found before.
void ExpectOff(const std::string& function, const std::vector<Eigen::Vector2d>& errors_px,
               double by_px, double tolerance_px) {
  ASSERT_FALSE(errors_px.empty());
  Eigen::Vector2d mean = Eigen::Vector2d::Zero();
  for (const Eigen::Vector2d& error : errors_px) mean += error;
  mean /= static_cast<double>(errors_px.size());
  for (const int axis : {0, 1}) {
    ExpectPublished({kSource, function + ", mean error in " + (axis == 0 ? "x" : "y") + ", px",
                     CheckKind::kRecomputed},
                    mean[axis], by_px, tolerance_px);
  }
}

TEST(CornerConvention, OfOpenCVsCheckerboardIsOurs) {
  constexpr int kInner = kSquares - 1;
  cv::Mat1b drawing(kSquares * kTexelsPerSquare, kSquares * kTexelsPerSquare);
  for (int y = 0; y < drawing.rows; ++y) {
    for (int x = 0; x < drawing.cols; ++x) {
      drawing(y, x) = (x / kTexelsPerSquare + y / kTexelsPerSquare) % 2 == 0 ? 0 : 255;
    }
  }
  std::vector<Eigen::Vector2d> errors;
  for (const test::Corners& board : BoardPlaces()) {
    const cv::Mat photo = PhotoOf(drawing, board);
    std::vector<cv::Point2f> corners;
    ASSERT_TRUE(cv::findChessboardCorners(photo, {kInner, kInner}, corners));
    cv::cornerSubPix(photo, corners, {5, 5}, {-1, -1},
                     cv::TermCriteria(cv::TermCriteria::COUNT + cv::TermCriteria::EPS, 100, 1e-6));
    for (const cv::Point2f& corner : corners) errors.push_back(OffNearestCrossing(corner, board));
  }
  EXPECT_EQ(errors.size(), kCrossings);
  ExpectOff("findChessboardCorners + cornerSubPix", errors, 0.0, 0.005);
}

TEST(CornerConvention, OfOpenCVsInterpolatedCornersIsHalfAPixelOff) {
  const auto family = cv::aruco::getPredefinedDictionary(cv::aruco::DICT_4X4_50);
  const auto board = cv::aruco::CharucoBoard::create(kSquares, kSquares, 1.0F, 0.7F, family);
  cv::Mat drawing;
  board->draw({kSquares * kTexelsPerSquare, kSquares * kTexelsPerSquare}, drawing);
  std::vector<Eigen::Vector2d> errors;
  for (const test::Corners& place : BoardPlaces()) {
    const cv::Mat photo = PhotoOf(drawing, place);
    std::vector<std::vector<cv::Point2f>> markers;
    std::vector<int> marker_ids;
    cv::aruco::detectMarkers(photo, family, markers, marker_ids);
    std::vector<cv::Point2f> corners;
    std::vector<int> ids;
    cv::aruco::interpolateCornersCharuco(markers, marker_ids, photo, board, corners, ids);
    for (const cv::Point2f& corner : corners) errors.push_back(OffNearestCrossing(corner, place));
  }
  // Not every marker of 18 px is found, and without one its crossings aren't.
  EXPECT_GT(errors.size(), kCrossings * 9 / 10);
  ExpectOff("interpolateCornersCharuco", errors, 0.495, 0.01);
}

TEST(CornerConvention, OfOpenCVsTagRefinementIsHalfAPixelOffAndOursIsNot) {
  constexpr int kId = 41;
  const auto family = cv::aruco::getPredefinedDictionary(cv::aruco::DICT_APRILTAG_36h11);
  const auto parameters = cv::aruco::DetectorParameters::create();
  parameters->cornerRefinementMethod = cv::aruco::CORNER_REFINE_APRILTAG;
  std::vector<Eigen::Vector2d> theirs;
  std::vector<Eigen::Vector2d> ours;
  for (const test::Corners& truth : SquarePlaces(165.3)) {
    // Out of focus. Of a sharp tag their corners are off by less, 0.45 px without any blur.
    const cv::Mat photo = test::DrawTagPhoto(kId, truth, {.blur_px = 3.0}, 0.0, kPhotoSize_px);
    std::vector<std::vector<cv::Point2f>> markers;
    std::vector<int> ids;
    cv::aruco::detectMarkers(photo, family, markers, ids, parameters);
    ASSERT_EQ(ids, std::vector<int>{kId});
    TagCorners start;
    for (std::size_t k = 0; k < 4; ++k) {
      start[k] = Eigen::Vector2d(markers[0][k].x, markers[0][k].y);
      theirs.emplace_back(start[k] - truth[k]);
    }
    const auto fit = FitTag(photo, kId, start);
    ASSERT_TRUE(fit);
    for (std::size_t k = 0; k < 4; ++k) ours.emplace_back(fit->corners_px[k] - truth[k]);
  }
  ExpectOff("CORNER_REFINE_APRILTAG", theirs, 0.495, 0.01);
  ExpectOff("the same tags by our fit", ours, 0.0, 0.005);
}

}  // namespace
}  // namespace tinesight
