#include "calibration/strips_pdf.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <map>
#include <opencv2/aruco.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <string>
#include <vector>

#include "calibration/rig.hpp"
#include "tests/pdf_words.hpp"

namespace tinesight {
namespace {

using ::testing::HasSubstr;

constexpr double kPrintedMm = 0.1;  // what is asked of a print; a pixel is 0.085 mm
constexpr double kDpi = 300.0;
constexpr double kPixelMm = 25.4 / kDpi;
constexpr double kPrinterMarginMm = 6.0;
constexpr int kGuidePage = 1;
constexpr int kStripsPage = 2;
constexpr int kCardsPage = 3;
constexpr int kFirstMidi = 28;
constexpr int kLastMidi = 100;

struct Paper {
  PaperSize size;
  const char* option;
  double width_mm;
  double height_mm;
};

const Paper kLetter{PaperSize::kLetter, "letter", 279.4, 215.9};
const Paper kA4{PaperSize::kA4, "a4", 297.0, 210.0};

StripSheetOptions DefaultSheets(PaperSize paper) {
  StripSheetOptions options;
  options.paper = paper;
  for (int midi = kFirstMidi; midi <= kLastMidi; ++midi) {
    options.cards.push_back({midi, std::to_string(midi)});
  }
  return options;
}

// A page (from 1) of a PDF as poppler renders it; a missing pdftoppm fails the test.
cv::Mat RenderPage(const std::string& pdf, int page) {
  const std::string number = std::to_string(page);
  const CommandOutcome rendered = RunShell("pdftoppm -r 300 -gray -singlefile -f " + number +
                                           " -l " + number + " -png " + pdf + " " + pdf);
  EXPECT_EQ(rendered.status, 0) << "pdftoppm (poppler-utils) is needed: " << rendered.err;
  return cv::imread(pdf + ".png", cv::IMREAD_GRAYSCALE);
}

int PixelOf(double mm) { return static_cast<int>(std::floor(mm / kPixelMm)); }

// Sheet position of an image position: the center of pixel 0 lies half a pixel into the sheet.
cv::Point2d SheetMm(const cv::Point2f& position_px) {
  return {(position_px.x + 0.5) * kPixelMm, (position_px.y + 0.5) * kPixelMm};
}

using TagCorners = std::map<int, std::vector<cv::Point2d>>;  // sheet mm by id

TagCorners DetectOnSheet(const cv::Mat& page) {
  const auto parameters = cv::aruco::DetectorParameters::create();
  parameters->cornerRefinementMethod = cv::aruco::CORNER_REFINE_SUBPIX;
  parameters->cornerRefinementWinSize = 3;
  std::vector<std::vector<cv::Point2f>> corners;
  std::vector<int> ids;
  cv::aruco::detectMarkers(page, cv::aruco::getPredefinedDictionary(cv::aruco::DICT_APRILTAG_36h11),
                           corners, ids, parameters);
  TagCorners found;
  for (std::size_t i = 0; i < ids.size(); ++i) {
    for (const cv::Point2f& corner : corners[i]) found[ids[i]].push_back(SheetMm(corner));
  }
  return found;
}

// Where a tag's center lies on the sheet by the drawing: pieces start 10 mm from the left edge
// and are cut at x = 2.5 mm from the strip's middle, between its saddle point and the next tag.
double ExpectedTagXMm(int index) {
  const double piece_begin_mm = index < 10 ? -184.0 : 2.5;
  return 10.0 + (index - 9.5) * 18.0 - piece_begin_mm;
}

double PieceMiddleYMm(const TagCorners& tags, int first_id) {
  double y_mm = 0.0;
  for (const cv::Point2d& corner : tags.at(first_id)) y_mm += 0.25 * corner.y;
  return y_mm;
}

// Centers of the dark strokes across a row (or column) of the page, mm along it.
std::vector<double> StrokesMm(const cv::Mat& line) {
  std::vector<double> strokes;
  double weight = 0.0;
  double moment = 0.0;
  for (int i = 0; i <= static_cast<int>(line.total()); ++i) {
    const double dark =
        i < static_cast<int>(line.total()) ? 255.0 - line.at<unsigned char>(i) : 0.0;
    if (dark > 20.0) {
      weight += dark;
      moment += dark * (i + 0.5) * kPixelMm;
    } else if (weight > 0.0) {
      strokes.push_back(moment / weight);
      weight = moment = 0.0;
    }
  }
  return strokes;
}

class PrintedSheets : public ::testing::TestWithParam<Paper> {
 protected:
  void SetUp() override {
    const auto written = WriteStripSheets(DefaultSheets(GetParam().size), pdf_);
    ASSERT_TRUE(written) << written.error().message;
  }

  testing::TempFolder folder_;
  std::string pdf_ = (folder_ / "strips.pdf").string();
};

INSTANTIATE_TEST_SUITE_P(BothPapers, PrintedSheets, ::testing::Values(kLetter, kA4),
                         [](const auto& papers) { return std::string(papers.param.option); });

TEST_P(PrintedSheets, EveryTagOfBothStripsIsWhereTheDrawingHasIt) {
  const cv::Mat page = RenderPage(pdf_, kStripsPage);
  ASSERT_FALSE(page.empty());
  const TagCorners tags = DetectOnSheet(page);
  ASSERT_EQ(tags.size(), 40U);
  double worst_mm = 0.0;
  double last_y_mm = 0.0;
  for (const int first_id : {0, 10, 40, 50}) {
    ASSERT_EQ(tags.count(first_id), 1U);
    const double y_mm = PieceMiddleYMm(tags, first_id);
    EXPECT_GT(y_mm, last_y_mm + 18.0) << "pieces overlap";
    last_y_mm = y_mm;
    for (int id = first_id; id < first_id + 10; ++id) {
      ASSERT_EQ(tags.count(id), 1U) << id;
      const double x_mm = ExpectedTagXMm(id % 40);
      const std::array<cv::Point2d, 4> expected{
          cv::Point2d(x_mm - 6, y_mm - 6), cv::Point2d(x_mm + 6, y_mm - 6),
          cv::Point2d(x_mm + 6, y_mm + 6), cv::Point2d(x_mm - 6, y_mm + 6)};
      for (std::size_t i = 0; i < 4; ++i) {
        const double error_mm = cv::norm(tags.at(id)[i] - expected[i]);
        EXPECT_LE(error_mm, kPrintedMm) << "tag " << id << " corner " << i;
        worst_mm = std::max(worst_mm, error_mm);
      }
    }
  }
  std::printf("largest corner error of 40 tags: %.3f mm\n", worst_mm);
}

TEST_P(PrintedSheets, EverySaddlePointIsThereAndNoMarkIsCut) {
  const cv::Mat page = RenderPage(pdf_, kStripsPage);
  ASSERT_FALSE(page.empty());
  const TagCorners tags = DetectOnSheet(page);
  ASSERT_EQ(tags.size(), 40U);
  double worst_mm = 0.0;
  for (const int first_id : {0, 40}) {
    for (int j = 0; j <= 20; ++j) {
      const bool first_piece = j <= 10;
      const double x_mm = 10.0 + (j - 10) * 18.0 - (first_piece ? -184.0 : 2.5);
      const double y_mm = PieceMiddleYMm(tags, first_id + (first_piece ? 0 : 10));
      const auto gray = [&](double dx_mm, double dy_mm) {
        return static_cast<int>(
            page.at<unsigned char>(PixelOf(y_mm + dy_mm), PixelOf(x_mm + dx_mm)));
      };
      EXPECT_LT(gray(-1, -1), 10) << j;
      EXPECT_LT(gray(1, 1), 10) << j;
      EXPECT_GT(gray(1, -1), 245) << j;
      EXPECT_GT(gray(-1, 1), 245) << j;
      EXPECT_GT(gray(-2.3, -1), 245) << j;
      EXPECT_GT(gray(2.3, 1), 245) << j;
      std::vector<cv::Point2f> corner{cv::Point2f(static_cast<float>(x_mm / kPixelMm - 0.5),
                                                  static_cast<float>(y_mm / kPixelMm - 0.5))};
      cv::cornerSubPix(page, corner, {8, 8}, {-1, -1},
                       {cv::TermCriteria::EPS + cv::TermCriteria::COUNT, 40, 1e-3});
      const double error_mm = cv::norm(SheetMm(corner[0]) - cv::Point2d(x_mm, y_mm));
      EXPECT_LE(error_mm, kPrintedMm) << "point " << first_id + j;
      worst_mm = std::max(worst_mm, error_mm);
    }
  }
  std::printf("largest error of 42 saddle points: %.3f mm\n", worst_mm);
}

TEST_P(PrintedSheets, CheckLinesOnEveryPageAre100mmLong) {
  const Paper& paper = GetParam();
  for (int page = kGuidePage; page <= kCardsPage; ++page) {
    const cv::Mat image = RenderPage(pdf_, page);
    ASSERT_FALSE(image.empty());
    // Beside the line itself only its two end marks cross the row, and likewise the column.
    const cv::Mat row = image.row(PixelOf(paper.height_mm - 20.0 - 2.0))
                            .colRange(PixelOf(6.0), PixelOf(113.0))
                            .clone();
    const auto along_mm = StrokesMm(row);
    ASSERT_EQ(along_mm.size(), 2U) << "page " << page;
    EXPECT_NEAR(along_mm[1] - along_mm[0], 100.0, kPrintedMm) << "page " << page;
    const cv::Mat column = image.col(PixelOf(paper.width_mm - 14.0 - 2.0))
                               .rowRange(PixelOf(28.0), PixelOf(140.0))
                               .clone();
    const auto across_mm = StrokesMm(column);
    ASSERT_EQ(across_mm.size(), 2U) << "page " << page;
    EXPECT_NEAR(across_mm[1] - across_mm[0], 100.0, kPrintedMm) << "page " << page;
    std::printf("page %d: along %.3f mm, across %.3f mm\n", page, along_mm[1] - along_mm[0],
                across_mm[1] - across_mm[0]);
  }
}

TEST_P(PrintedSheets, NothingIsPrintedInThePrintersMargin) {
  for (int page = kGuidePage; page <= kCardsPage; ++page) {
    const cv::Mat image = RenderPage(pdf_, page);
    ASSERT_FALSE(image.empty());
    EXPECT_NEAR(image.cols * kPixelMm, GetParam().width_mm, 0.2);
    EXPECT_NEAR(image.rows * kPixelMm, GetParam().height_mm, 0.2);
    const int margin_px = PixelOf(kPrinterMarginMm);
    cv::Mat border = image.clone();
    border(cv::Rect(margin_px, margin_px, image.cols - 2 * margin_px, image.rows - 2 * margin_px)) =
        255;
    EXPECT_EQ(cv::countNonZero(border != 255), 0) << "page " << page;
  }
}

TEST_P(PrintedSheets, AllCardsAreDetectedWithTheirNotes) {
  const cv::Mat page = RenderPage(pdf_, kCardsPage);
  ASSERT_FALSE(page.empty());
  const TagCorners tags = DetectOnSheet(page);
  ASSERT_EQ(tags.size(), 73U);
  for (int midi = kFirstMidi; midi <= kLastMidi; ++midi) {
    ASSERT_EQ(tags.count(kRegisterCardBaseId + midi), 1U) << midi;
    const auto& corners = tags.at(kRegisterCardBaseId + midi);
    EXPECT_NEAR(corners[1].x - corners[0].x, 9.0, kPrintedMm) << midi;
    EXPECT_NEAR(corners[3].y - corners[0].y, 9.0, kPrintedMm) << midi;
  }
}

TEST_P(PrintedSheets, NoWordLiesOnAnotherOrOutsideThePage) {
  const auto pages = WordsOfPages(pdf_);
  ASSERT_EQ(pages.size(), 3U);
  constexpr double kPointsPerMm = 72.0 / 25.4;
  for (std::size_t page = 0; page < pages.size(); ++page) {
    const std::vector<Word>& words = pages[page];
    EXPECT_GT(words.size(), 30U);
    for (std::size_t i = 0; i < words.size(); ++i) {
      const Word& a = words[i];
      EXPECT_TRUE(a.x0 >= kPrinterMarginMm * kPointsPerMm &&
                  a.x1 <= (GetParam().width_mm - kPrinterMarginMm) * kPointsPerMm)
          << a.text;
      for (std::size_t j = 0; j < i; ++j) {
        const Word& b = words[j];
        const double width = std::min(a.x1, b.x1) - std::max(a.x0, b.x0);
        const double height = std::min(a.y1, b.y1) - std::max(a.y0, b.y0);
        EXPECT_FALSE(width > 0.5 && height > 0.5)
            << "page " << page + 1 << ": \"" << a.text << "\" on \"" << b.text << "\"";
      }
    }
  }
}

TEST(StripsPdf, TellsThePrinterNotToScaleAndIsTheSameEveryTime) {
  const auto first = StripSheetsPdf(DefaultSheets(PaperSize::kA4));
  const auto second = StripSheetsPdf(DefaultSheets(PaperSize::kA4));
  ASSERT_TRUE(first && second);
  EXPECT_EQ(*first, *second);
  EXPECT_THAT(*first, HasSubstr("/PrintScaling /None"));
  EXPECT_THAT(*first, ::testing::Not(HasSubstr("/CreationDate")));
}

TEST(StripsPdf, RefusesACardThatIsNoMidiNote) {
  StripSheetOptions options;
  options.cards.push_back({128, "G#9"});
  const auto pdf = StripSheetsPdf(options);
  ASSERT_FALSE(pdf);
  EXPECT_THAT(pdf.error().message, HasSubstr("G#9"));
}

}  // namespace
}  // namespace tinesight
