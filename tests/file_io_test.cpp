#include "calibration/file_io.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cstdio>
#include <cstdlib>
#include <utility>

#include "tests/temp_folder.hpp"

namespace tinesight {
namespace {

using ::testing::AllOf;
using testing::Contents;
using testing::ExpectOneLine;
using ::testing::HasSubstr;
using testing::TempFolder;

TEST(ReadJsonFile, NamesTheLineAndColumnWhereItStopsBeingJson) {
  const TempFolder folder;
  const auto file = folder.Write("broken.json", "{\n  \"fx\": 1,\n  \"fy\" 2\n}\n");
  const auto json = ReadJsonFile(file);
  ASSERT_FALSE(json);
  ExpectOneLine(json.error().message);
  EXPECT_THAT(json.error().message, AllOf(HasSubstr("broken.json"), HasSubstr("line 3, column 8")));
}

TEST(ReadJsonFile, RefusesWhatIsNoFileInOneLine) {
  const TempFolder folder;
  const auto refusal = [](const std::filesystem::path& file) {
    const auto json = ReadJsonFile(file);
    EXPECT_FALSE(json) << file;
    if (!json) ExpectOneLine(json.error().message);
    return json ? std::string() : json.error().message;
  };
  EXPECT_THAT(refusal(folder.Path() / "missing.json"), HasSubstr("no such file"));
  EXPECT_THAT(refusal(folder.Path()), HasSubstr("is a folder"));
  EXPECT_THAT(refusal(folder.Write("empty.json", "")), HasSubstr("is empty"));
  EXPECT_THAT(refusal(folder.Write("cut.json", "{\"a\": [1, 2")), HasSubstr("not valid JSON"));
  EXPECT_THAT(refusal(folder.Write("large.json", "[1e999]")), HasSubstr("too large"));
  EXPECT_THAT(refusal(folder.Write("binary.json", std::string("\xFF\xD8\xFF\0", 4))),
              HasSubstr("not valid JSON"));
  const auto pipe = folder.Path() / "pipe.json";
  ASSERT_EQ(::mkfifo(pipe.c_str(), 0600), 0);
  EXPECT_THAT(refusal(pipe), HasSubstr("not an ordinary file"));
}

TEST(WriteFileAtomically, ReplacesAFileAndLeavesNothingBeside) {
  const TempFolder folder;
  const auto file = folder.Write("result.json", "old");
  const std::string bytes(300000, 'x');
  const auto written = WriteFileAtomically(file, bytes);
  ASSERT_TRUE(written) << written.error().message;
  EXPECT_EQ(Contents(file), bytes);
  EXPECT_EQ(folder.FileCount(), 1U);
}

TEST(WriteFileAtomically, KeepsALinkAndReplacesWhatItNames) {
  const TempFolder folder;
  const auto file = folder.Write("real.json", "old");
  const auto link = folder.Path() / "link.json";
  std::filesystem::create_symlink("real.json", link);
  ASSERT_TRUE(WriteFileAtomically(link, "new"));
  EXPECT_TRUE(std::filesystem::is_symlink(link));
  EXPECT_EQ(Contents(file), "new");
}

TEST(WriteFileAtomically, SaysWhyAFolderCannotTakeTheFile) {
  const TempFolder folder;
  const auto refusal = [](const std::filesystem::path& file) {
    const auto written = WriteFileAtomically(file, "bytes");
    EXPECT_FALSE(written) << file;
    if (!written) ExpectOneLine(written.error().message);
    return written ? std::string() : written.error().message;
  };
  EXPECT_THAT(refusal(folder.Path() / "none" / "result.json"),
              AllOf(HasSubstr("there is no folder"), HasSubstr("none")));
  const auto plain = folder.Write("plain", "kept");
  EXPECT_THAT(refusal(plain / "result.json"), HasSubstr("there is no folder"));
  EXPECT_THAT(refusal(folder.Path()), HasSubstr("is a folder"));
  EXPECT_THAT(refusal(""), HasSubstr("cannot be written"));
  // A folder that even the superuser, who may run this test, cannot write to.
  EXPECT_THAT(refusal("/proc/self/result.json"), HasSubstr("cannot be written"));
  EXPECT_EQ(Contents(plain), "kept");
  EXPECT_EQ(folder.FileCount(), 1U);
}

TEST(WriteFilesAtomically, ReplacesThemAll) {
  const TempFolder folder;
  const auto old = folder.Write("old.json", "old");
  ASSERT_TRUE(WriteFilesAtomically({{old, "first"}, {folder / "new.json", "second"}}));
  EXPECT_EQ(Contents(old), "first");
  EXPECT_EQ(Contents(folder / "new.json"), "second");
  EXPECT_EQ(folder.FileCount(), 2U);
}

TEST(WriteFilesAtomically, ReplacesNoneWhereOneCannotBeWritten) {
  const TempFolder folder;
  const auto old = folder.Write("old.json", "old");
  for (const std::filesystem::path& lost :
       {std::filesystem::path("/dev/full"), folder / "none" / "rig.json", folder.Path()}) {
    for (const bool first : {true, false}) {
      std::vector<FileBytes> files = {{old, "new"}, {lost, "new"}};
      if (first) std::swap(files[0], files[1]);
      const auto written = WriteFilesAtomically(files);
      ASSERT_FALSE(written) << lost;
      ExpectOneLine(written.error().message);
      EXPECT_THAT(written.error().message,
                  AllOf(HasSubstr(lost.string()), HasSubstr("cannot be written")));
      EXPECT_EQ(Contents(old), "old");
      EXPECT_EQ(folder.FileCount(), 1U) << "something is left beside";
    }
  }
}

TEST(WriteFileAtomicallyDeathTest, RefusesAnUnwritableFolderWithThatReason) {
  const TempFolder folder;
  const auto locked = folder.Path() / "locked";
  std::filesystem::create_directory(locked);
  std::filesystem::permissions(folder.Path(), std::filesystem::perms{0755});
  std::filesystem::permissions(locked, std::filesystem::perms{0555});
  constexpr int kRefused = 3;
  // In a process of its own, since the superuser may write everywhere and must step down first.
  const auto write_as_nobody = [&] {
    constexpr uid_t kNobody = 65534;
    if (::geteuid() == 0 && ::setuid(kNobody) != 0) std::_Exit(1);
    const auto written = WriteFileAtomically(locked / "result.json", "bytes");
    std::fputs(written ? "written" : written.error().message.c_str(), stderr);
    std::_Exit(written ? 0 : kRefused);
  };
  EXPECT_EXIT(write_as_nobody(), ::testing::ExitedWithCode(kRefused), "locked is not writable");
}

TEST(WriteJsonFile, RefusesTextThatIsNotUtf8) {
  const TempFolder folder;
  const auto written = WriteJsonFile(folder.Path() / "a.json", nlohmann::json{{"make", "\xFF"}});
  ASSERT_FALSE(written);
  EXPECT_THAT(written.error().message, HasSubstr("UTF-8"));
  EXPECT_EQ(folder.FileCount(), 0U);
}

}  // namespace
}  // namespace tinesight
