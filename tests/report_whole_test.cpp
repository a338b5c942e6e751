// From the photos of a register to the report in the owner's hands.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <set>
#include <sstream>

#include "record/note_group.hpp"
#include "record/report.hpp"
#include "tests/report_sample.hpp"
#include "tests/sample_calibration.hpp"

namespace tinesight {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

TEST(ReportOfSamplePhotos, ShowsEveryFlaggedNoteWithItsPicture) {
  const testing::TempFolder folder;
  std::string calibration;
  ASSERT_NO_FATAL_FAILURE(testing::CalibrateOnSamples(folder, calibration));
  const std::string samples = testing::kSamples.string();
  const CommandOutcome measured = RunTinesight(
      "measure '" + samples + "/harp/r1_left.jpg' '" + samples + "/harp/r1_right.jpg'" +
          " --camera camera.json --rig rig.json --instrument '" + samples +
          "/instrument.json' --damper harp-raised --record harp.tinerec --visit 'as found'",
      folder.Path());
  ASSERT_EQ(measured.status, 0) << measured.err;
  const CommandOutcome reported =
      RunTinesight("report harp.tinerec --pdf report.pdf", folder.Path());
  ASSERT_EQ(reported.status, 0) << reported.err;
  EXPECT_THAT(reported.out, Not(HasSubstr("left out")));

  const auto record = ReadServiceRecord(folder / "harp.tinerec");
  ASSERT_TRUE(record) << record.error().message;
  std::istringstream text(PdfText(folder / "report.pdf"));
  std::set<std::string> words;
  for (std::string word; text >> word;) words.insert(word);
  std::size_t out = 0;
  std::size_t uncertain = 0;
  for (const NoteMeasurement& note : record->visits[0].measurement.notes) {
    EXPECT_TRUE(words.count(note.name) > 0) << note.name;
    out += GroupOf(note) == NoteGroup::kOut ? 1 : 0;
    uncertain += GroupOf(note) == NoteGroup::kUncertain ? 1 : 0;
  }
  ASSERT_GT(out, 0u) << "the register has planted faults";
  const std::size_t cards =
      std::min(kMaxReportCards, out) + std::min(kMaxUncertainCards, uncertain);
  const CommandOutcome images = RunShell("pdfimages -list report.pdf", folder.Path());
  std::size_t jpegs = 0;
  for (std::size_t at = images.out.find(" jpeg "); at != std::string::npos;
       at = images.out.find(" jpeg ", at + 1)) {
    ++jpegs;
  }
  EXPECT_EQ(jpegs, cards) << images.out;
  const auto pages = WordsOfPages((folder / "report.pdf").string());
  EXPECT_EQ(OverlappingWords(pages), "");
}

}  // namespace
}  // namespace tinesight
