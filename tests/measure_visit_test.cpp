// Measuring a visit of several photos: what is worked on at the same time comes back in order.
#include "alignment/measure_visit.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <string>
#include <thread>
#include <vector>

#include "tests/temp_folder.hpp"

namespace tinesight {
namespace {

using testing::TempFolder;

constexpr int kMoreThanAtATime = 11;

MeasureRequest UnreadablePhotos(const TempFolder& folder) {
  MeasureRequest request;
  for (int i = 0; i < kMoreThanAtATime; ++i) {
    const std::string number = std::to_string(i);
    request.photos.push_back(
        folder.Write("text" + number + ".jpg", std::string("no picture ").append(number)));
  }
  return request;
}

TEST(MeasureVisit, ListsEveryPhotoInTheOrderOfTheRequestAndSaysWhatIsWrongWithIt) {
  const TempFolder folder;
  const MeasureRequest request = UnreadablePhotos(folder);
  const auto visit = MeasureVisit(request, nullptr);
  ASSERT_TRUE(visit);
  ASSERT_EQ(visit->photos.size(), request.photos.size());
  for (std::size_t i = 0; i < request.photos.size(); ++i) {
    const PhotoMeasurement& photo = visit->photos[i];
    EXPECT_EQ(photo.file, request.photos[i].string());
    EXPECT_FALSE(photo.used);
    ASSERT_EQ(photo.warnings.size(), 1U);
    EXPECT_NE(photo.warnings[0].find(request.photos[i].filename().string()), std::string::npos)
        << photo.warnings[0];
  }
}

TEST(MeasureVisit, LeavesOutASecondCopyOfAPhotoAndSaysOfWhich) {
  const TempFolder folder;
  MeasureRequest request = UnreadablePhotos(folder);
  request.photos.push_back(folder.Write("copy.jpg", "no picture 3"));
  const auto visit = MeasureVisit(request, nullptr);
  ASSERT_TRUE(visit);
  const PhotoMeasurement& copy = visit->photos.back();
  EXPECT_FALSE(copy.used);
  ASSERT_EQ(copy.warnings.size(), 1U);
  EXPECT_EQ(copy.warnings[0], "the same photo as " + request.photos[3].string() + "; left out");
}

TEST(MeasureVisit, TellsItsProgressToTheCallersThreadPhotoByPhoto) {
  const TempFolder folder;
  const MeasureRequest request = UnreadablePhotos(folder);
  std::vector<double> fractions;
  std::vector<std::string> stages;
  const auto visit = MeasureVisit(
      request, [&, caller = std::this_thread::get_id()](double fraction, std::string_view stage) {
        EXPECT_EQ(std::this_thread::get_id(), caller);
        fractions.push_back(fraction);
        stages.emplace_back(stage);
      });
  ASSERT_TRUE(visit);
  ASSERT_EQ(stages.size(), request.photos.size());
  EXPECT_TRUE(std::is_sorted(fractions.begin(), fractions.end()));
  EXPECT_EQ(fractions.front(), 0.0);
  EXPECT_LT(fractions.back(), 1.0);
  for (std::size_t i = 0; i < stages.size(); ++i) {
    EXPECT_EQ(stages[i], request.photos[i].filename().string());
  }
}

TEST(MeasureVisit, OfNoPhotoHasNothing) {
  const auto visit = MeasureVisit({}, nullptr);
  ASSERT_TRUE(visit);
  EXPECT_TRUE(visit->photos.empty());
  EXPECT_TRUE(visit->notes.empty());
}

}  // namespace
}  // namespace tinesight
