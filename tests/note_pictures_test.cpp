// What the report and the alignment images draw of a single note.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <set>

#include "calibration/file_io.hpp"
#include "record/alignment_images.hpp"
#include "record/cross_section.hpp"
#include "record/drawing.hpp"
#include "record/exif_caption.hpp"
#include "record/note_picture.hpp"
#include "record/note_text.hpp"
#include "record/safe_name.hpp"
#include "tests/photo_files.hpp"
#include "tests/report_sample.hpp"

namespace tinesight {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;
using tinesight::testing::TempFolder;

cv::Mat GrayPhoto() { return {900, 1200, CV_8UC3, cv::Scalar::all(110)}; }

std::size_t LittleEndian(const std::string& bytes, std::size_t at, std::size_t size) {
  std::size_t value = 0;
  for (std::size_t i = size; i > 0; --i) {
    value = (value << 8U) | static_cast<unsigned char>(bytes[at + i - 1]);
  }
  return value;
}

// Tag 270 of a JPEG's EXIF, read by hand (TIFF 6.0, section 2; EXIF 2.3, 4.5), and that nothing
// else is in it.
std::string OnlyImageDescription(const std::string& jpeg) {
  const std::size_t block = jpeg.find(std::string("Exif\0\0", 6));
  if (block == std::string::npos) return "no EXIF";
  const std::size_t tiff = block + 6;
  EXPECT_EQ(jpeg.substr(tiff, 2), "II");
  EXPECT_EQ(LittleEndian(jpeg, tiff + 2, 2), 42u);
  const std::size_t directory = tiff + LittleEndian(jpeg, tiff + 4, 4);
  EXPECT_EQ(LittleEndian(jpeg, directory, 2), 1u) << "more than one tag";
  EXPECT_EQ(LittleEndian(jpeg, directory + 2, 2), 270u);
  EXPECT_EQ(LittleEndian(jpeg, directory + 4, 2), 2u) << "not ASCII";
  const std::size_t count = LittleEndian(jpeg, directory + 6, 4);
  return jpeg.substr(tiff + LittleEndian(jpeg, directory + 10, 4), count - 1);
}

TEST(SafeFileName, KeepsSharpsAndTurnsEverythingElseIntoUnderscores) {
  EXPECT_EQ(SafeFileName("F#1"), "F#1");
  EXPECT_EQ(SafeFileName("as found"), "as_found");
  EXPECT_EQ(SafeFileName("a/b\\c:d*e?f\"g<h>i|j"), "a_b_c_d_e_f_g_h_i_j");
  EXPECT_EQ(SafeFileName("../../etc"), "etc");
  EXPECT_EQ(SafeFileName("-rf"), "rf");
  EXPECT_EQ(SafeFileName("tab\there\n"), "tab_here");
  EXPECT_EQ(SafeFileName("Vorgefunden März"), "Vorgefunden_März");
  EXPECT_EQ(SafeFileName(" / "), "unnamed");
  EXPECT_EQ(SafeFileName(""), "unnamed");
  EXPECT_LE(SafeFileName(std::string(500, 'x')).size(), 80u);
}

TEST(ExifCaption, StandsInThePictureAsTheOnlyTag) {
  const std::string jpeg = tinesight::testing::Encoded(GrayPhoto(), ".jpg");
  const auto captioned = WithImageDescription(jpeg, "F#1, as found: 0.90 ± 0.05 mm");
  ASSERT_TRUE(captioned) << captioned.error().message;
  EXPECT_EQ(OnlyImageDescription(*captioned), "F#1, as found: 0.90 +/- 0.05 mm");
  const std::vector<unsigned char> bytes(captioned->begin(), captioned->end());
  EXPECT_EQ(cv::imdecode(bytes, cv::IMREAD_COLOR).size(), cv::Size(1200, 900));
  EXPECT_FALSE(WithImageDescription("GIF89a", "F#1"));
  EXPECT_LE(OnlyImageDescription(*WithImageDescription(jpeg, std::string(99999, 'x'))).size(),
            1000u);
}

TEST(AlignmentImages, AreOneForEachNoteNamedByNoteAndVisit) {
  const TempFolder folder;
  ServiceRecord record = SampleRecord();
  tinesight::testing::ExifFields fields;
  fields.make = "Serial-4711";
  const auto photo = folder.Write(
      "B1.jpg",
      tinesight::testing::WithExif(tinesight::testing::Encoded(GrayPhoto(), ".jpg"), fields));
  ASSERT_NO_FATAL_FAILURE(SetPhoto(record.visits[0], photo));
  const auto images = WriteAlignmentImages(record, record.visits[0], folder / "images");
  ASSERT_TRUE(images) << images.error().message;
  EXPECT_EQ(images->written, 4u);
  EXPECT_TRUE(images->trouble.empty());
  std::set<std::string> names;
  for (const auto& file : std::filesystem::directory_iterator(folder / "images")) {
    names.insert(file.path().filename().string());
  }
  EXPECT_EQ(names, (std::set<std::string>{"E2_as_found.jpg", "F2_as_found.jpg", "F#2_as_found.jpg",
                                          "G2_as_found.jpg"}));
  const std::string bytes = *ReadFileBytes(folder / "images" / "F2_as_found.jpg");
  const std::string caption = OnlyImageDescription(bytes);
  EXPECT_THAT(caption, HasSubstr("F2, as found, May 1, 2024"));
  EXPECT_THAT(caption, HasSubstr("re-center"));
  EXPECT_THAT(caption, HasSubstr("0.90 +/- 0.05 mm toward treble"));
  EXPECT_THAT(bytes, Not(HasSubstr("4711")));
  const cv::Mat picture = cv::imread((folder / "images" / "F2_as_found.jpg").string());
  EXPECT_GE(picture.cols, 1200);
}

TEST(AlignmentImages, OfVisitsWithSimilarNamesDoNotReplaceEachOther) {
  ServiceRecord record = SampleRecord();
  record.visits.push_back(SampleRecordVisit(2, "as_found"));
  const NoteMeasurement& note = record.visits[0].measurement.notes[0];
  EXPECT_NE(AlignmentImageName(record, record.visits[0], note),
            AlignmentImageName(record, record.visits[1], note));
}

// A black disc of 3 px radius, drawn by its coverage of each pixel.
void DrawDot(cv::Mat& bgr, const Eigen::Vector2d& center_px) {
  const int middle_x = static_cast<int>(std::lround(center_px.x()));
  const int middle_y = static_cast<int>(std::lround(center_px.y()));
  for (int y = middle_y - 5; y <= middle_y + 5; ++y) {
    for (int x = middle_x - 5; x <= middle_x + 5; ++x) {
      const double distance = std::hypot(x - center_px.x(), y - center_px.y());
      const double ink = std::clamp(3.5 - distance, 0.0, 1.0);
      bgr.at<cv::Vec3b>(y, x) = cv::Vec3b::all(static_cast<unsigned char>(110.0 * (1.0 - ink)));
    }
  }
}

// What the ring's yellow extends over.
cv::Rect RingBox(const cv::Mat& picture) {
  cv::Mat yellow;
  cv::inRange(picture, cv::Scalar(0x2A, 0xD0, 0xDC), cv::Scalar(0x5A, 0xF8, 0xFF), yellow);
  return cv::boundingRect(yellow);
}

// Center along x of what is darker than the photo in a box.
double DarkCenter(const cv::Mat& picture, const cv::Rect& box) {
  double weight = 0.0;
  double sum = 0.0;
  for (int y = box.y; y < box.br().y; ++y) {
    for (int x = box.x; x < box.br().x; ++x) {
      const double dark = std::max(0.0, 105.0 - picture.at<cv::Vec3b>(y, x)[1]);
      weight += dark;
      sum += dark * x;
    }
  }
  EXPECT_GT(weight, 0.0) << "no dot at " << box;
  return sum / weight;
}

TEST(NotePicture, DrawsTheRingWhereThePoleTipIsInTheEnlargedPhoto) {
  const VisitMeasurement visit = SampleVisit();
  const PhotoMeasurement& photo = visit.photos[0];
  const NoteMeasurement& note = visit.notes[0];
  const auto project = [&](double aside_mm) {
    return photo.camera.Project(photo.camera_from_harp *
                                (note.pickup_harp_mm + Eigen::Vector3d(aside_mm, 0.0, 0.0)));
  };
  // Two dots in the photo, one on either side of the pickup, clear of all lines: half a pixel of
  // shift between the enlarged photo and what is drawn on it moves the ring from their middle.
  constexpr double kAside_mm = 5.0;
  cv::Mat bgr = GrayPhoto();
  DrawDot(bgr, project(-kAside_mm));
  DrawDot(bgr, project(kAside_mm));
  const cv::Mat picture = NotePicture(bgr, photo, note, nullptr, 900);
  ASSERT_EQ(picture.size(), cv::Size(900, 900));
  const cv::Rect box = RingBox(picture);
  ASSERT_GT(box.width, 10) << "no ring";
  const double ring = box.x + 0.5 * (box.width - 1);
  const double scale = box.width / (project(1.5) - project(-1.5)).x();
  ASSERT_GT(scale, 2.0);
  const auto around = [&](double aside_mm) {
    const int x = static_cast<int>(ring + scale * (project(aside_mm) - project(0.0)).x());
    const int y = box.y + box.height / 2;
    const int reach = static_cast<int>(6.0 * scale);
    return cv::Rect(x - reach, y - reach, 2 * reach, 2 * reach);
  };
  const double left = DarkCenter(picture, around(-kAside_mm));
  const double right = DarkCenter(picture, around(kAside_mm));
  const double true_scale = (right - left) / (project(kAside_mm) - project(-kAside_mm)).x();
  const double expected =
      0.5 * (left + right) +
      true_scale * (project(0.0) - 0.5 * (project(kAside_mm) + project(-kAside_mm))).x();
  // Half a pixel of the photo is 2 px and more here; the ring's extent is read to half a pixel.
  EXPECT_NEAR(ring, expected, 0.8);
}

TEST(NotePicture, HoldsTheWholeArrow) {
  const VisitMeasurement visit = SampleVisit();
  for (const double lateral_mm : {-2.3, -0.6, 0.6, 2.3}) {
    NoteMeasurement note = visit.notes[0];
    note.lateral_mm->value = lateral_mm;
    const cv::Mat picture = NotePicture(GrayPhoto(), visit.photos[0], note, nullptr, 600);
    ASSERT_FALSE(picture.empty());
    // Nothing but the gray photo touches the picture's sides.
    for (const int column : {0, picture.cols - 1}) {
      double least = 0.0, most = 0.0;
      cv::minMaxLoc(picture.col(column).clone().reshape(1), &least, &most);
      EXPECT_GE(least, 109.0) << lateral_mm << " at column " << column;
      EXPECT_LE(most, 111.0) << lateral_mm << " at column " << column;
    }
  }
}

TEST(NotePicture, IsTakenFromThePhotoThatShowsTheNoteBest) {
  VisitMeasurement visit = SampleVisit();
  EXPECT_EQ(BestPhotoOf(visit, 41), 0u);
  EXPECT_EQ(BestPhotoOf(visit, 43), std::nullopt) << "was not measured";
  EXPECT_EQ(BestPhotoOf(visit, 90), std::nullopt);
  PhotoMeasurement centered = visit.photos[0];
  centered.camera_from_harp.translation().x() = -13.7;  // the pickup of F2 in the middle
  visit.photos[1] = centered;
  EXPECT_EQ(BestPhotoOf(visit, 41), 1u);
  visit.photos[1].notes = {40};
  EXPECT_EQ(BestPhotoOf(visit, 41), 0u);
}

TEST(UncertaintyEllipse, HasTheExpandedUncertaintiesAsItsHalfWidths) {
  NoteMeasurement note = SampleVisit().notes[0];
  note.lateral_mm = Measured{0.1, 0.2};
  note.height_mm = Measured{1.0, 0.6};
  Eigen::Matrix2d axes = UncertaintyEllipse(note);
  EXPECT_NEAR(axes(0, 0), 0.2, 1e-12);
  EXPECT_NEAR(axes(1, 1), 0.6, 1e-12);
  // With a covariance the ellipse is x' C^-1 x = 4, so axes · axes' = 4 C, and its half-widths
  // along x and y are still U = 2 u.
  note.covariance = NoteCovariance::Identity();
  note.covariance->topLeftCorner<2, 2>() << 0.01, 0.02, 0.02, 0.09;
  axes = UncertaintyEllipse(note);
  const Eigen::Matrix2d product = axes * axes.transpose();
  EXPECT_NEAR(product(0, 0), 4.0 * 0.01, 1e-12);
  EXPECT_NEAR(product(0, 1), 4.0 * 0.02, 1e-12);
  EXPECT_NEAR(product(1, 1), 4.0 * 0.09, 1e-12);
  EXPECT_NEAR(std::sqrt(product(0, 0)), note.lateral_mm->expanded_u, 1e-12);
}

TEST(CrossSection, DrawsTheTineOnItsSideOfThePickupToScale) {
  // 200 × 200 pt at 4 px/pt; the drawn range follows from the figures, so it is found from the
  // tine's own width.
  NoteMeasurement note = SampleVisit().notes[1];
  note.lateral_mm = Measured{1.0, 0.01};
  note.height_mm = Measured{0.0, 0.01};
  note.tine_diameter_mm = 1.0;
  note.pole_tip_diameter_mm = 3.0;
  PixelPage page(cv::Mat(800, 800, CV_8UC3, cv::Scalar::all(255)), 4.0);
  DrawCrossSection(page.Draw(), {0.0, 0.0, 200.0, 200.0}, {&note, nullptr, nullptr});
  const cv::Mat picture = page.Picture();
  // Along a line a little above the middle (clear of the axis and the mark): black where the tine's
  // outline is, gray inside the pole tip.
  const int y = 400 - 40;
  int first_black = -1;
  int last_black = -1;
  int first_gray = -1;
  for (int x = 60; x < 740; ++x) {
    const int value = picture.at<cv::Vec3b>(y, x)[0];
    if (value < 40) {
      if (first_black < 0) first_black = x;
      last_black = x;
    }
    if (value > 190 && value < 210 && first_gray < 0) first_gray = x;
  }
  ASSERT_GE(first_black, 0);
  ASSERT_GE(first_gray, 0);
  const double tine_center = 0.5 * (first_black + last_black);
  // The pole tip's center is the box's; the tine is 1.0 mm toward treble, which is at the right.
  const double half_chord_px = 0.5 * (last_black - first_black);
  const double radius_px = std::hypot(half_chord_px, 40.0);
  EXPECT_NEAR((tine_center - 400.0) / (2.0 * radius_px), 1.0, 0.05);
  EXPECT_LT(first_gray, 400);
}

TEST(NoteText, TellsTheVerdictInWords) {
  NoteMeasurement note = SampleVisit().notes[1];
  EXPECT_EQ(VerdictPhrase(note), "re-center");
  note.height_verdict = Verdict::kOutOfTolerance;
  EXPECT_EQ(VerdictPhrase(note), "re-center; adjust height");
  note.lateral_verdict = Verdict::kUncertain;
  note.height_verdict = Verdict::kInTolerance;
  note.gap_verdict = Verdict::kUncertain;
  EXPECT_EQ(VerdictPhrase(note), "uncertain: lateral offset, gap");
  note.lateral_verdict = Verdict::kInTolerance;
  EXPECT_EQ(VerdictPhrase(note), "centered; uncertain: gap");
  note.lateral_mm.reset();
  EXPECT_EQ(VerdictPhrase(note), "not measured");
  EXPECT_EQ(LongDate("2024-05-02"), "May 2, 2024");
  EXPECT_EQ(LongDate("yesterday"), "yesterday");
  EXPECT_EQ(LongDate("2024-13-02"), "2024-13-02");
}

}  // namespace
}  // namespace tinesight
