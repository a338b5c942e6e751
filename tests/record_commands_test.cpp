// `note`, `worklist`, `compare` and `export --copy` as a technician types them.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <nlohmann/json.hpp>

#include "calibration/file_io.hpp"
#include "tests/made_record.hpp"
#include "tests/photo_files.hpp"
#include "tests/run_command.hpp"

namespace tinesight {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;
using ::testing::SizeIs;
using ::testing::StartsWith;

class RecordCommands : public ::testing::Test {
 protected:
  RecordCommands() {
    EXPECT_TRUE(AddVisit(file_, SampleEntry("as found")));
    VisitMeasurement left = SampleVisit();
    left.notes[1] = SampleNote(41, "F2", 13.7, 0.05, 0.05, Verdict::kInTolerance);
    VisitEntry entry = SampleEntry("as left", left);
    entry.date = "2024-05-03";
    EXPECT_TRUE(AddVisit(file_, entry));
  }

  CommandOutcome Run(const std::string& arguments) {
    return RunTinesight(arguments, folder_.Path());
  }

  void ExpectRefused(const std::string& arguments, int status, const std::string& says) {
    const std::string before = *ReadFileBytes(file_);
    const std::size_t files = folder_.FileCount();
    const CommandOutcome outcome = Run(arguments);
    EXPECT_EQ(outcome.status, status) << arguments << "\n" << outcome.err;
    EXPECT_THAT(outcome.err, StartsWith("tinesight: "));
    EXPECT_THAT(outcome.err, HasSubstr(says)) << arguments;
    EXPECT_EQ(std::count(outcome.err.begin(), outcome.err.end(), '\n'), 1) << outcome.err;
    EXPECT_EQ(outcome.out, "") << arguments;
    EXPECT_EQ(*ReadFileBytes(file_), before) << arguments;
    EXPECT_EQ(folder_.FileCount(), files) << arguments;
  }

  tinesight::testing::TempFolder folder_;
  std::filesystem::path file_ = folder_ / "piano.tinerec";
};

TEST_F(RecordCommands, NoteKeepsFindingsInTheTradesTerms) {
  const CommandOutcome outcome =
      Run("note piano.tinerec --note F#1 --grommet hardened --spring heavy --doubled --seat loose "
          "--hammer-tip grooved --screw 'plain shank' --in-place-of-grommet felt --place rear "
          "--technician AB --date 2024-05-02");
  ASSERT_EQ(outcome.status, 0) << outcome.err;
  const ServiceRecord record = Reread(file_);
  std::vector<std::string> texts;
  for (const Finding& finding : record.findings) {
    EXPECT_EQ(finding.midi, 30);
    EXPECT_EQ(finding.stamp.technician, "AB");
    EXPECT_EQ(finding.stamp.date, "2024-05-02");
    texts.push_back(FindingText(finding));
    EXPECT_THAT(outcome.out, HasSubstr("F#1  " + texts.back()));
  }
  EXPECT_THAT(texts,
              ::testing::ElementsAre("rear grommet: hardened", "rear spring: heavy, doubled",
                                     "tine seat: loose", "hammer tip: grooved",
                                     "rear screw: plain shank", "rear in place of grommet: felt"));
  ASSERT_EQ(Run("note piano.tinerec --note F#1 --spring light --place rear --after").status, 0);
  EXPECT_THAT(Run("worklist piano.tinerec").out,
              HasSubstr("F#1, rear screw: the spring was \"heavy, doubled\", now \"light\"; put it "
                        "back where it was"));
  ASSERT_EQ(Run("note piano.tinerec --withdraw finding:7").status, 0);
  EXPECT_THAT(Run("worklist piano.tinerec").out, Not(HasSubstr("put it back")));
  ASSERT_EQ(Run("note piano.tinerec --restore finding:7").status, 0);
  EXPECT_THAT(Reread(file_).findings, SizeIs(7));
}

TEST_F(RecordCommands, NoteKeepsRemarksWorkAndTheInstrument) {
  ASSERT_EQ(Run("note piano.tinerec --note E1 --text 'buzzes' --work 'damper felt trimmed'").status,
            0);
  const CommandOutcome outcome =
      Run("note piano.tinerec --work 'new grommets throughout' --owner 'a school' --serial 12-34");
  ASSERT_EQ(outcome.status, 0) << outcome.err;
  EXPECT_THAT(outcome.out, HasSubstr("all  new grommets throughout"));
  const ServiceRecord record = Reread(file_);
  EXPECT_EQ(record.findings[0].text, "buzzes");
  ASSERT_THAT(record.work_done, SizeIs(2));
  EXPECT_EQ(record.work_done[0].midi, 28);
  EXPECT_EQ(record.instrument.owner, "a school");
  EXPECT_EQ(record.instrument.compass, "E2 to D3, 11 notes") << "what was not said stays";
}

TEST_F(RecordCommands, NoteListsTheBeginningOfAnEndlessText) {
  std::string endless = "begins";
  for (int i = 0; i < 2000; ++i) endless += " ä";
  const CommandOutcome outcome = Run("note piano.tinerec --note F2 --text '" + endless + "'");
  ASSERT_EQ(outcome.status, 0) << outcome.err;
  EXPECT_THAT(outcome.out, HasSubstr("begins ä"));
  EXPECT_THAT(outcome.out, HasSubstr("report --json"));
  EXPECT_LT(outcome.out.size(), 1500U);
  EXPECT_EQ(Reread(file_).findings[0].text, endless) << "the record keeps all of it";
}

TEST_F(RecordCommands, NoteMakesARecordBeforeAnythingIsMeasured) {
  const CommandOutcome outcome = Run("note new.tinerec --note F#1 --spring heavy");
  ASSERT_EQ(outcome.status, 0) << outcome.err;
  EXPECT_THAT(outcome.out, StartsWith("new.tinerec: a new service record\n"));
  EXPECT_THAT(Reread(folder_ / "new.tinerec").findings, SizeIs(1));
  // But not for a finding that is refused, nor only to look.
  ExpectRefused("note other.tinerec --note F#1 --grommet soft", 1, "hardened, flattened");
  ExpectRefused("note other.tinerec", 1, "there is no such service record");
  // A picture that can't be read takes the finding beside it along, in a new record and in an old.
  ExpectRefused("note other.tinerec --note F#1 --grommet good --attach gone.jpg", 1, "gone.jpg");
  ExpectRefused("note piano.tinerec --note F#1 --grommet good --attach gone.jpg", 1, "gone.jpg");
  ExpectRefused("note piano.tinerec --note F#1 --spring ''", 2, "--spring: is blank");
  ExpectRefused("note piano.tinerec --work '  '", 2, "--work: is blank");
}

TEST_F(RecordCommands, ABlankWordIsWrongUsageOfEveryCommand) {
  ExpectRefused("''", 2, "the command's name is blank");
  for (const std::string command :
       {"note", "worklist", "compare", "report", "export", "tone", "what-if", "view"}) {
    ExpectRefused(command + " ''", 2, "the word after " + command + " is blank");
  }
  ExpectRefused("worklist piano.tinerec --done ''", 2, "--done: is blank");
  ExpectRefused("worklist piano.tinerec --done=' '", 2, "--done= is followed by no value");
}

TEST_F(RecordCommands, NoteAttachesAPictureWithoutWhatThePhoneWroteIntoIt) {
  const cv::Mat picture(60, 80, CV_8UC3, cv::Scalar(40, 90, 160));
  std::vector<unsigned char> jpeg;
  ASSERT_TRUE(cv::imencode(".jpg", picture, jpeg));
  // A comment segment after the start marker, where a phone could have put anything.
  std::string bytes(jpeg.begin(), jpeg.end());
  const std::string secret = "serial 0815";
  bytes.insert(2, std::string("\xFF\xFE\x00", 3) + static_cast<char>(secret.size() + 2) + secret);
  folder_.Write("block.jpg", bytes);
  const CommandOutcome outcome =
      Run("note piano.tinerec --note F2 --attach block.jpg --caption 'crack in the block' "
          "--visit 'as found'");
  ASSERT_EQ(outcome.status, 0) << outcome.err;
  const ServiceRecord record = Reread(file_);
  ASSERT_THAT(record.attachments, SizeIs(1));
  EXPECT_EQ(record.attachments[0].midi, 41);
  EXPECT_EQ(record.attachments[0].visit_id, record.visits[0].id);
  const std::string kept = *ReadAttachment(file_, record.attachments[0].id);
  EXPECT_EQ(kept.substr(0, 2), "\xFF\xD8");
  EXPECT_EQ(kept.find(secret), std::string::npos);
  EXPECT_EQ((*ReadFileBytes(file_)).find(secret), std::string::npos);
  folder_.Write("text.jpg", "no picture");
  ExpectRefused("note piano.tinerec --attach text.jpg", 1, "text.jpg");
}

TEST_F(RecordCommands, WorklistTicksOffAndReopens) {
  EXPECT_THAT(Run("worklist piano.tinerec").out, HasSubstr("[=] F2"));
  EXPECT_THAT(Run("worklist piano.tinerec").out,
              HasSubstr("confirmed by \"as left\": 0.05 mm toward treble, U 0.05: centered"));
  ASSERT_EQ(Run("worklist piano.tinerec --done F2 --technician AB").status, 0);
  EXPECT_THAT(Reread(file_).ticks, SizeIs(1));
  const CommandOutcome reopened = Run("worklist piano.tinerec --visit 'as found' --reopen F2");
  ASSERT_EQ(reopened.status, 0) << reopened.err;
  EXPECT_THAT(Reread(file_).ticks, SizeIs(2));
  ASSERT_EQ(Run("worklist piano.tinerec --json list.json").status, 0);
  EXPECT_EQ(nlohmann::json::parse(*ReadFileBytes(folder_ / "list.json"))["items"][0]["name"], "F2");
  EXPECT_THAT(Run("worklist piano.tinerec --visit 'as left'").out,
              HasSubstr("nothing is to be done for certain"));
  ExpectRefused("worklist piano.tinerec --done E2", 1, "has nothing to do at E2");
  ExpectRefused("worklist piano.tinerec --done F2 E2", 1, "has nothing to do at E2");
  ExpectRefused("worklist piano.tinerec --done F2 --task gap", 1, "nothing of the task gap");
  ExpectRefused("worklist piano.tinerec --done X9", 2, "is no note name");
  ExpectRefused("worklist piano.tinerec --task hammer", 2, "choose slide-pickup");
  ExpectRefused("worklist piano.tinerec --done F2 --reopen f2", 2, "after --done and after");
  ExpectRefused("worklist piano.tinerec --done F2 --json none/list.json", 1, "none");
  ExpectRefused("worklist piano.tinerec --visit nine", 1, "it has \"as found\", \"as left\"");
}

TEST_F(RecordCommands, CompareTellsWhatChanged) {
  const CommandOutcome outcome =
      Run("compare piano.tinerec 'as found' 'as left' --json change.json");
  ASSERT_EQ(outcome.status, 0) << outcome.err;
  EXPECT_THAT(outcome.out,
              HasSubstr("3 notes in both, 1 improved, 0 worse, 1 moved\nthough no work"));
  EXPECT_THAT(outcome.out,
              HasSubstr("F2   lateral 0.90 mm toward treble to 0.05 mm toward treble"));
  EXPECT_EQ(nlohmann::json::parse(*ReadFileBytes(folder_ / "change.json"))["notes"].size(), 3U);
  ExpectRefused("compare piano.tinerec 'as found' nine", 1, "has no visit named \"nine\"");
  ExpectRefused("compare piano.tinerec 'as found'", 2, "after");
  ExpectRefused("compare piano.tinerec 'as found' 'as found'", 2, "name two visits");
  ExpectRefused("compare piano.tinerec 'as left' 'as found'", 2, "name the earlier visit first");
}

TEST_F(RecordCommands, NamesFromARecordReachTheTerminalAsPlainText) {
  VisitEntry entry = SampleEntry("two\nlines \x1b[31mred");
  entry.date = "2024-05-04";
  ASSERT_TRUE(AddVisit(file_, entry));
  ExpectRefused("compare piano.tinerec 'as found' nine", 1, "two?lines ?[31mred");
  const CommandOutcome report = Run("report piano.tinerec --pdf report.pdf");
  ASSERT_EQ(report.status, 0) << report.err;
  EXPECT_THAT(report.out, HasSubstr("\"two?lines ?[31mred\""));
}

TEST_F(RecordCommands, ExportWritesACopyToSend) {
  const CommandOutcome outcome = Run("export piano.tinerec --copy copy.tinerec");
  ASSERT_EQ(outcome.status, 0) << outcome.err;
  EXPECT_EQ(outcome.out, "wrote copy.tinerec\n");
  EXPECT_THAT(Reread(folder_ / "copy.tinerec").visits, SizeIs(2));
  ExpectRefused("export piano.tinerec --copy copy.tinerec", 1, "exists already");
  ExpectRefused("export piano.tinerec", 2, "--copy");
  ExpectRefused("export piano.tinerec --model b.ply", 1, "tinesight report piano.tinerec --model");
  ExpectRefused("export piano.tinerec --copy a.tinerec --model b.ply", 2, "--copy");
  ExpectRefused("export piano.tinerec --model b.ply --without-photos", 2, "--without-photos");
  folder_.Write("text.tinerec", std::string(500, 'x'));
  ExpectRefused("export text.tinerec --copy a.tinerec", 1, "is no service record");
}

TEST_F(RecordCommands, WrongUsageIsToldAndNothingIsWritten) {
  ExpectRefused("note piano.tinerec --grommet good", 2, "add --note");
  ExpectRefused("note piano.tinerec --note H9 --grommet good", 2, "is no note name");
  ExpectRefused("note piano.tinerec --note F1 --doubled", 2, "--spring");
  ExpectRefused("note piano.tinerec --note F1 --grommet good --place middle", 2, "forward or rear");
  ExpectRefused("note piano.tinerec --note F1 --text x --date 2024-02-30", 2, "is no day");
  ExpectRefused("note piano.tinerec --caption x", 2, "--attach");
  ExpectRefused("note piano.tinerec --withdraw finding", 1, "finding:3");
  ExpectRefused("note piano.tinerec --withdraw finding:99", 1, "has no entry");
  ExpectRefused("note", 2, "record");
}

}  // namespace
}  // namespace tinesight
