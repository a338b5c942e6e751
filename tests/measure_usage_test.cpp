// What `tinesight measure` and `tinesight export` say to wrong usage and unusable files, before
// any measuring: one clear line, the right exit status, nothing written.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <algorithm>
#include <filesystem>
#include <fstream>

#include "calibration/file_io.hpp"
#include "record/result_json.hpp"
#include "record/service_record.hpp"
#include "tests/run_command.hpp"
#include "tests/sample_visit.hpp"

namespace tinesight {
namespace {

using ::testing::HasSubstr;
using ::testing::StartsWith;

class MeasureUsage : public ::testing::Test {
 protected:
  MeasureUsage() {
    std::ofstream(folder_ / "camera.json")
        << R"({"width":4032,"height":3024,"fx":3150,"fy":3150,"cx":2015.5,"cy":1511.5,)"
        << R"("distortion":[0,0,0,0,0]})";
    std::ofstream(folder_ / "rig.json")
        << R"({"tags":[{"id":0,"corners_mm":[[0,0,0],[12,0,0],[12,12,0],[0,12,0]],"u_mm":0.05}]})";
    const std::string rest =
        R"(,"tine_diameter_mm":1.9,"pole_tip_diameter_mm":3,"bobbin_diameter_mm":13.6,"gap_mm":1.5,)"
        R"("height_mm":1.2,"tolerance_lateral_mm":0.5,"tolerance_height_mm":0.5,)"
        R"("tolerance_gap_mm":0.5})";
    std::ofstream(folder_ / "instrument.json")
        << R"({"name":"demo","note_spacing_mm":13.7,"notes":[{"midi":40,"tine_length_mm":80)"
        << rest << R"(,{"midi":60,"tine_length_mm":50)" << rest << "]}";
    std::ofstream(folder_ / "a.jpg") << "this is text, not a picture\n";
    files_before_ = folder_.FileCount();
  }

  // Runs with the three files given, expects one line on stderr and an untouched folder.
  void ExpectRefused(const std::string& arguments, int status, const std::string& says) {
    ExpectRefusedRaw(kMeasure + arguments, status, says);
  }
  void ExpectRefusedRaw(const std::string& arguments, int status, const std::string& says) {
    ExpectRefusal(arguments, RunTinesight(arguments, folder_.Path()), status, says);
  }
  // The superuser may write everywhere, and here lays that right down.
  void ExpectRefusedWithoutPrivilege(const std::string& arguments, const std::string& says) {
    const std::string command = "'" TINESIGHT_COMMAND "' " + kMeasure + arguments;
    const std::string run = geteuid() == 0 ? "setpriv --bounding-set=-all --inh-caps=-all " : "";
    ExpectRefusal(arguments, RunShell(run + command, folder_.Path()), 1, says);
  }
  void ExpectRefusal(const std::string& arguments, const CommandOutcome& outcome, int status,
                     const std::string& says) {
    EXPECT_EQ(outcome.status, status) << arguments << "\n" << outcome.err;
    EXPECT_THAT(outcome.err, StartsWith("tinesight: "));
    EXPECT_THAT(outcome.err, HasSubstr(says)) << arguments;
    EXPECT_EQ(std::count(outcome.err.begin(), outcome.err.end(), '\n'), 1) << outcome.err;
    EXPECT_EQ(outcome.out, "");
    EXPECT_EQ(folder_.FileCount(), files_before_) << arguments;
  }

  const std::string kMeasure =
      "measure --camera camera.json --rig rig.json --instrument instrument.json ";
  tinesight::testing::TempFolder folder_;
  std::size_t files_before_ = 0;
};

TEST_F(MeasureUsage, WrongUsageIsStatus2) {
  ExpectRefused("", 2, "photos");
  ExpectRefused("a.jpg --damper up", 2, "harp-raised, key-held or resting");
  ExpectRefused("a.jpg --first-note H9", 2, "is no note name");
  ExpectRefused("a.jpg --record r.tinerec", 2, "--visit");
  ExpectRefused("a.jpg --visit 'as found'", 2, "--record");
  ExpectRefused("a.jpg --record r.tinerec --visit '  '", 2, "--visit: is blank");
  ExpectRefused("a.jpg --record r.tinerec --visit 'two\nlines'", 2, "no plain text of one line");
  ExpectRefused("a.jpg --debug", 2, "--overlays");
  ExpectRefused("a.jpg --embed", 2, "add --record");
  ExpectRefused("a.jpg --technician AB", 2, "add --record");
  ExpectRefused("a.jpg --record r.tinerec --visit x --date 2023-02-29", 2, "is no day");
  ExpectRefused("a.jpg --no-such-option", 2, "--no-such-option");
  std::string many;
  for (int i = 0; i < 41; ++i) many += "a.jpg ";
  ExpectRefused(many, 2, "41 photos are more than the 40");
  ExpectRefusedRaw("measure a.jpg", 2, "--rig");
  ExpectRefusedRaw("measure a.jpg --rig rig.json --instrument instrument.json", 2, "--camera");
}

TEST_F(MeasureUsage, NoOutputTakesThePlaceOfAnotherFileOfTheSameCall) {
  std::filesystem::create_directory(folder_ / "pictures");
  std::filesystem::create_symlink("a.jpg", folder_ / "link.json");
  files_before_ = folder_.FileCount();
  for (const std::string outputs :
       {"--json a.jpg", "--json out.json --csv ./out.json", "--csv rig.json", "--json link.json",
        "--record ./camera.json --visit x", "--csv pictures/../instrument.json", "--overlays a.jpg",
        "--json new --overlays new/", "--debug --overlays rig.json",
        "--json pictures/a_overlay.jpg --overlays pictures"}) {
    ExpectRefused("a.jpg " + outputs, 2, "is named twice, as an output and as something else");
  }
  // A photo where an overlay would be drawn, and before it is looked for.
  ExpectRefused("a.jpg pictures/a_overlay.jpg --overlays ./pictures", 2, "a_overlay.jpg is named");
  ExpectRefused("a.jpg no/a.jpg pictures/a_overlay_2.jpg --overlays pictures", 2,
                "_2.jpg is named");
  // Devices may be named as often as one likes.
  ExpectRefused("a.jpg --first-note C8 --json /dev/null --csv /dev/null", 1, "not in the compass");
}

TEST_F(MeasureUsage, AnEmptyValueIsWrongUsage) {
  ExpectRefused("a.jpg '' b.jpg", 2, "the word after a.jpg is blank; give it a value or leave");
  ExpectRefused("-- ' '", 2, "the word after -- is blank");
  for (const std::string option : {"--first-note", "--damper", "--json", "--csv", "--overlays",
                                   "--record", "--visit", "--technician", "--date"}) {
    ExpectRefused("a.jpg " + option + " ''", 2, option + ": is blank");
    // Not the photo as the option's value: it would be written over.
    ExpectRefused(option + "= a.jpg a.jpg", 2, option + "= is followed by no value");
  }
  const std::string others = " --rig rig.json --instrument instrument.json --camera camera.json";
  for (const std::string option : {"--rig", "--camera", "--instrument"}) {
    std::string rest = others;
    rest.replace(rest.find(option), option.size(), "--json");
    ExpectRefusedRaw("measure a.jpg " + option + " ' '" + rest, 2, option + ": is blank");
  }
}

TEST_F(MeasureUsage, AWordThatIsNotUnderstoodIsToldBeforeWhatIsMissing) {
  ExpectRefusedRaw("foo", 2, "foo is no command; tinesight --help lists them");
  ExpectRefusedRaw("foo --rig rig.json", 2, "foo is no command");
  ExpectRefusedRaw("--foo", 2, "not expected: --foo (see tinesight --help)");
  ExpectRefusedRaw("measure --foo x.jpg", 2, "not expected: --foo (see tinesight measure --help)");
  ExpectRefusedRaw("measure --foo", 2, "not expected: --foo");
  ExpectRefusedRaw("", 2, "A subcommand is required");
}

TEST_F(MeasureUsage, HelpMarksWhatIsRequired) {
  const std::string help = RunTinesight("measure --help").out;
  EXPECT_THAT(help, HasSubstr("photos PHOTO ... REQUIRED"));
  EXPECT_THAT(help, HasSubstr("--rig FILE REQUIRED"));
  EXPECT_THAT(help, HasSubstr("--instrument FILE REQUIRED"));
  EXPECT_THAT(help, HasSubstr("REQUIRED, this or --self-calibrate"));
  EXPECT_THAT(help, HasSubstr("--json FILE  "));
}

TEST_F(MeasureUsage, WhereNothingIsMeasuredEarlierResultsStay) {
  folder_.Write("out.json", "earlier");
  folder_.Write("out.csv", "earlier");
  files_before_ = folder_.FileCount();
  for (const std::string outputs :
       {"--json out.json --csv out.csv", "--json new.json --csv new.csv"}) {
    const CommandOutcome outcome = RunTinesight(kMeasure + "a.jpg " + outputs, folder_.Path());
    EXPECT_EQ(outcome.status, 1);
    EXPECT_THAT(outcome.err, StartsWith("tinesight: a.jpg: "));
    EXPECT_THAT(outcome.err,
                HasSubstr("\ntinesight: no note could be measured; no result was written\n"));
    EXPECT_EQ(testing::Contents(folder_ / "out.json"), "earlier");
    EXPECT_EQ(testing::Contents(folder_ / "out.csv"), "earlier");
    EXPECT_EQ(folder_.FileCount(), files_before_);
  }
}

TEST_F(MeasureUsage, MissingOrBadFilesAreStatus1) {
  ExpectRefusedRaw("measure a.jpg --camera no.json --rig rig.json --instrument instrument.json", 1,
                   "no.json");
  ExpectRefusedRaw("measure a.jpg --camera camera.json --rig a.jpg --instrument instrument.json", 1,
                   "a.jpg");
  ExpectRefusedRaw("measure a.jpg --camera camera.json --rig rig.json --instrument rig.json", 1,
                   "rig.json");
  ExpectRefused("a.jpg --first-note C8", 1, "is not in the compass");
}

TEST_F(MeasureUsage, UnwritableOutputsAreToldBeforeMeasuringAndNothingIsWritten) {
  for (const std::string option : {"--json", "--csv", "--record"}) {
    const std::string visit = option == "--record" ? " --visit x" : "";
    ExpectRefused("a.jpg " + option + " none/out" + visit, 1, "none/out: cannot be written");
    ExpectRefused("a.jpg " + option + " a.jpg/out" + visit, 1, "is no folder");
  }
  ExpectRefused("a.jpg --json out.json --overlays a.jpg/dir", 1, "a.jpg/dir: cannot be written");
  ExpectRefused("a.jpg --json .", 1, "is a folder");
}

TEST_F(MeasureUsage, WhatStandsInAnOutputsPlaceIsToldBeforeMeasuring) {
  std::filesystem::create_directories(folder_ / "pictures" / "a_overlay.jpg");
  std::filesystem::create_directory(folder_ / "kept");
  for (const char* name : {"kept.json", "kept/a_overlay.jpg"}) {
    std::filesystem::permissions(folder_.Write(name, "keep me"), std::filesystem::perms{0444});
  }
  std::filesystem::create_symlink("/proc/version", folder_ / "link.json");
  files_before_ = folder_.FileCount();
  ExpectRefused("a.jpg --overlays kept.json", 1, "is no folder");
  ExpectRefused("a.jpg --overlays pictures", 1,
                "pictures/a_overlay.jpg: cannot be written: is a f");
  ExpectRefused("a.jpg --json link.json", 1, "link.json: cannot be written");
  ExpectRefusedWithoutPrivilege("a.jpg --overlays kept", "kept/a_overlay.jpg: cannot be written");
  for (const std::string option : {"--json", "--csv", "--visit x --record"}) {
    ExpectRefusedWithoutPrivilege("a.jpg " + option + " kept.json",
                                  "kept.json: cannot be written: the file is write-protected");
  }
  EXPECT_EQ(testing::Contents(folder_ / "kept.json"), "keep me");
}

TEST_F(MeasureUsage, ARecordThatCannotTakeTheVisitIsToldBeforeMeasuring) {
  VisitEntry visit;
  visit.name = "as found";
  visit.damper = DamperState::kHarpRaised;
  visit.measurement = SampleVisit();
  ASSERT_TRUE(AddVisit(folder_ / "r.tinerec", visit));
  std::ofstream(folder_ / "text.tinerec") << std::string(500, 'x');
  files_before_ = folder_.FileCount();
  ExpectRefused("a.jpg --record r.tinerec --visit 'as found' --damper harp-raised", 1,
                "already has a visit");
  ExpectRefused("a.jpg --record text.tinerec --visit x", 1, "is no service record");
}

TEST_F(MeasureUsage, ExportWritesAModelOrNothing) {
  ASSERT_TRUE(WriteFileAtomically(folder_ / "result.json", ResultJson(SampleVisit())));
  files_before_ = folder_.FileCount();
  ExpectRefusedRaw("export result.json --model out.obj", 2, "must end in .ply or .gltf");
  ExpectRefusedRaw("export rig.json --model out.ply", 1, "is no result");
  ExpectRefusedRaw("export result.json --model none/out.ply", 1, "does not exist");
  const auto outcome = RunTinesight("export result.json --model out.ply", folder_.Path());
  EXPECT_EQ(outcome.status, 0) << outcome.err;
  EXPECT_EQ(outcome.out + outcome.err, "");
  const std::string ply = *ReadFileBytes(folder_ / "out.ply");
  EXPECT_THAT(ply, StartsWith("ply\nformat ascii 1.0\n"));
  // Three notes: rod and disc of 2 × 24 + 2 vertices each, arrow of 4 × 24 + 2.
  EXPECT_THAT(ply, HasSubstr("element vertex 594\n"));
}

}  // namespace
}  // namespace tinesight
