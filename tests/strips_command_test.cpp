#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <regex>
#include <string>
#include <vector>

#include "calibration/rig.hpp"
#include "tests/pdf_words.hpp"

namespace tinesight {
namespace {

namespace fs = std::filesystem;
using ::testing::HasSubstr;
using testing::TempFolder;

CommandOutcome RunStrips(const std::string& arguments) {
  return RunTinesight("strips " + arguments);
}

void ExpectOneLine(const std::string& text) {
  EXPECT_THAT(text, ::testing::StartsWith("tinesight: "));
  EXPECT_EQ(std::count(text.begin(), text.end(), '\n'), 1) << text;
}

std::string TextOf(const std::string& pdf) {
  const CommandOutcome text = RunShell("pdftotext -layout " + pdf + " -");
  EXPECT_EQ(text.status, 0) << "pdftotext (poppler-utils) is needed: " << text.err;
  return text.out;
}

TEST(StripsCommand, WritesTextThatATechnicianCanReadAndSelect) {
  const TempFolder folder;
  const std::string pdf = (folder / "strips.pdf").string();
  ASSERT_EQ(RunStrips("--pdf " + pdf).status, 0);
  const std::string text = TextOf(pdf);
  for (const char* expected :
       {"at 100 %", "ALONG the strip: 100 mm", "--measured-along", "--measured-across",
        "Pickup bar, piece 1 of 2", "Mount bar, piece 2 of 2", "pull the mains plug",
        "eye protection", "props", "E1", "F#1", "E7", "Page 3 of 3", "US Letter"}) {
    EXPECT_THAT(text, HasSubstr(expected));
  }
}

TEST(StripsCommand, WritesOnlyTheCardsAskedFor) {
  const TempFolder folder;
  const std::string pdf = (folder / "strips.pdf").string();
  ASSERT_EQ(RunStrips("--paper A4 --first-note C4 --last-note D#4 --pdf " + pdf).status, 0);
  const auto pages = WordsOfPages(pdf);
  ASSERT_EQ(pages.size(), 3U);
  std::vector<std::string> names;
  for (const Word& word : pages[2]) {
    if (std::regex_match(word.text, std::regex("[A-G]#?[0-9]"))) names.push_back(word.text);
  }
  // Page 3 names the paper in its footer, "A4:", which is no match.
  EXPECT_THAT(names, ::testing::UnorderedElementsAre("C4", "C#4", "D4", "D#4"));
  ASSERT_EQ(RunStrips("--no-cards --pdf " + pdf).status, 0);
  EXPECT_EQ(WordsOfPages(pdf).size(), 2U);
}

TEST(StripsCommand, WritesTheCorrectedRigFile) {
  const TempFolder folder;
  const std::string file = (folder / "rig.json").string();
  ASSERT_EQ(RunStrips("--rig " + file + " --measured-along 99.6 --measured-across 99.8").status, 0);
  const auto rig = ReadRig(file);
  ASSERT_TRUE(rig) << rig.error().message;
  ASSERT_EQ(rig->tags.size(), 40U);
  ASSERT_EQ(rig->points.size(), 42U);
  EXPECT_NEAR(rig->FindTag(19)->corners_mm[1].x(), 177.0 * 0.996, 1e-6);
  EXPECT_NEAR(rig->FindPoint(60)->position_mm.x(), 180.0 * 0.996, 1e-6);
}

TEST(StripsCommand, RefusesABadReadingWithOneLineAndWritesNothing) {
  const TempFolder folder;
  const std::string arguments =
      "--pdf " + (folder / "s.pdf").string() + " --rig " + (folder / "r.json").string();
  for (const char* reading : {"--measured-along 94", "--measured-across 106.2"}) {
    const CommandOutcome outcome = RunStrips(arguments + " " + reading);
    EXPECT_EQ(outcome.status, 1) << reading;
    ExpectOneLine(outcome.err);
    EXPECT_FALSE(fs::exists(folder / "s.pdf"));
    EXPECT_FALSE(fs::exists(folder / "r.json"));
  }
}

TEST(StripsCommand, WritesNothingWhereOneOfTheTwoCannotBeWritten) {
  const TempFolder folder;
  const CommandOutcome outcome = RunStrips("--pdf " + (folder / "s.pdf").string() + " --rig " +
                                           (folder / "missing" / "r.json").string());
  EXPECT_EQ(outcome.status, 1);
  ExpectOneLine(outcome.err);
  EXPECT_EQ(folder.FileCount(), 0U);
}

TEST(StripsCommand, RefusesOneFileForBothAndEmptyValues) {
  const TempFolder folder;
  const auto expect_refused = [&folder](const std::string& arguments, const std::string& says) {
    const CommandOutcome outcome = RunTinesight("strips " + arguments, folder.Path());
    EXPECT_EQ(outcome.status, 2) << arguments;
    ExpectOneLine(outcome.err);
    EXPECT_THAT(outcome.err, HasSubstr(says)) << arguments;
    EXPECT_EQ(folder.FileCount(), 0U) << arguments;
  };
  expect_refused("--pdf out --rig ./out", "./out is named twice, as an output and as something");
  for (const std::string option :
       {"--pdf", "--rig", "--measured-along", "--measured-across", "--first-note", "--last-note"}) {
    const std::string other = option == "--rig" ? " --pdf s.pdf" : " --rig r.json";
    expect_refused(option + " ''" + other, option + ": is blank");
    expect_refused(option + "=" + other, option + "= is followed by no value");
  }
}

TEST(StripsCommand, TellsWrongUsageFromFailure) {
  const TempFolder folder;
  for (const std::string arguments :
       {"", "--paper legal --pdf x.pdf", "--measured-along wide --rig r.json", "--nonsense",
        "--first-note H2 --pdf x.pdf", "--first-note E4 --last-note E3 --pdf x.pdf"}) {
    const CommandOutcome outcome = RunStrips(arguments);
    EXPECT_EQ(outcome.status, 2) << arguments;
    ExpectOneLine(outcome.err);
  }
  for (const char* option : {"--pdf", "--rig"}) {
    const CommandOutcome outcome =
        RunStrips(std::string(option) + " " + (folder / "no/such/folder.x").string());
    EXPECT_EQ(outcome.status, 1) << option;
    ExpectOneLine(outcome.err);
  }
  EXPECT_EQ(RunTinesight("").status, 2);
  EXPECT_EQ(RunTinesight("--help").status, 0);
  EXPECT_EQ(RunTinesight("strips --help").status, 0);
  EXPECT_THAT(RunTinesight("--version").out, HasSubstr("tinesight "));
}

}  // namespace
}  // namespace tinesight
