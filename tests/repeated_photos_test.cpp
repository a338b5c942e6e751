#include "vision/repeated_photos.hpp"

#include <gtest/gtest.h>

#include <string>

#include "tests/temp_folder.hpp"

namespace tinesight {
namespace {

TEST(RepeatedPhotos, AreThoseWithTheBytesOfAnEarlierOne) {
  testing::TempFolder folder;
  const std::string picture(100'000, 'p');
  std::string other = picture;
  other.back() = 'q';
  const auto a = folder.Write("a.jpg", picture);
  const auto b = folder.Write("b.jpg", other);
  const auto copy = folder.Write("copy of a.jpg", picture);
  const std::vector<std::optional<std::size_t>> expected{std::nullopt, std::nullopt, 0, 1, 0};
  EXPECT_EQ(RepeatedPhotos({a, b, copy, b, a}), expected);
}

TEST(RepeatedPhotos, LeaveToTheReaderWhatCannotBeRead) {
  testing::TempFolder folder;
  const auto missing = folder / "missing.jpg";
  const std::vector<std::optional<std::size_t>> none(4);
  EXPECT_EQ(RepeatedPhotos({missing, missing, folder.Path(), folder.Path()}), none);
}

}  // namespace
}  // namespace tinesight
