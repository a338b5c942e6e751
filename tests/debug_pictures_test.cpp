// The pictures of --debug: where they go, what is told of one that can't be written, and the text
// that says what they show.
#include "alignment/debug_pictures.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <filesystem>
#include <string>

#include "alignment/photo_stage.hpp"
#include "tests/temp_folder.hpp"

namespace tinesight {
namespace {

using testing::Contents;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using testing::TempFolder;

MeasureRequest RequestFor(const TempFolder& folder) {
  MeasureRequest request;
  request.photos = {"monday/r1.jpg", "tuesday/r1.jpg", "tuesday/r2.jpg", "wednesday/r1.heic"};
  request.debug_dir = folder.Path();
  return request;
}

TEST(DebugPictures, ThoseOfPhotosOfOneNameAreNumbered) {
  const TempFolder folder;
  const MeasureRequest request = RequestFor(folder);
  for (std::size_t i = 0; i < request.photos.size(); ++i) {
    ASSERT_TRUE(WriteDebugPicture(request, i, 40, "picture " + std::to_string(i)));
  }
  EXPECT_EQ(folder.FileCount(), 4U);
  EXPECT_EQ(Contents(folder / "r1_40.png"), "picture 0");
  EXPECT_EQ(Contents(folder / "r1_40_2.png"), "picture 1");
  EXPECT_EQ(Contents(folder / "r2_40.png"), "picture 2");
  EXPECT_EQ(Contents(folder / "r1_40_3.png"), "picture 3");
}

TEST(DebugPictures, AFolderInTheirPlaceIsToldAndNothingIsLeft) {
  const TempFolder folder;
  std::filesystem::create_directory(folder / "r1_40.png");
  const auto written = WriteDebugPicture(RequestFor(folder), 0, 40, "picture");
  ASSERT_FALSE(written);
  testing::ExpectOneLine(written.error().message);
  EXPECT_THAT(written.error().message, HasSubstr("r1_40.png: cannot be written"));
  EXPECT_EQ(folder.FileCount(), 1U);
}

TEST(DebugLegend, IsWrittenWithTheFirstPhotoAndNamesEveryColor) {
  const TempFolder folder;
  const MeasureRequest request = RequestFor(folder);
  PhotoMeasurement report;
  EXPECT_FALSE(StagePhoto(request, 1, report));  // there is no such photo
  EXPECT_FALSE(std::filesystem::exists(folder / "README.txt"));
  EXPECT_FALSE(StagePhoto(request, 0, report));
  const std::string legend = Contents(folder / "README.txt");
  for (const char* color : {"\ngreen ", "\nred ", "\nlight blue ", "\nmagenta "}) {
    EXPECT_THAT(legend, HasSubstr(color));
  }
  EXPECT_EQ(folder.FileCount(), 1U);
}

TEST(DebugLegend, IsNotWrittenWithoutDebug) {
  const TempFolder folder;
  MeasureRequest request = RequestFor(folder);
  request.debug_dir.reset();
  PhotoMeasurement report;
  EXPECT_FALSE(StagePhoto(request, 0, report));
  EXPECT_EQ(folder.FileCount(), 0U);
}

TEST(DebugLegend, OneThatCannotBeWrittenIsToldInTheReport) {
  const TempFolder folder;
  std::filesystem::create_directory(folder / "README.txt");
  PhotoMeasurement report;
  EXPECT_FALSE(StagePhoto(RequestFor(folder), 0, report));
  EXPECT_THAT(report.warnings, ElementsAre(HasSubstr("README.txt: cannot be written")));
}

}  // namespace
}  // namespace tinesight
