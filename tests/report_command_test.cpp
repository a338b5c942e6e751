// `tinesight report` on a record made by hand: what it writes, and what it says to bad input.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <nlohmann/json.hpp>

#include "calibration/file_io.hpp"
#include "record/service_record.hpp"
#include "tests/report_sample.hpp"
#include "tests/temp_folder.hpp"

namespace tinesight {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

class ReportCommand : public ::testing::Test {
 protected:
  void SetUp() override { ASSERT_NO_FATAL_FAILURE(AddVisitNamed("as found", "2024-05-01")); }

  void AddVisitNamed(const std::string& name, const std::string& date) {
    VisitEntry entry;
    entry.name = name;
    entry.technician = "AB";
    entry.date = date;
    entry.profile = SampleProfile();
    entry.profile_json = *ReadFileBytes(std::filesystem::path(TINESIGHT_SOURCE_DIR) /
                                        "sample_images" / "instrument.json");
    entry.damper = DamperState::kHarpRaised;
    entry.measurement = SampleVisit();
    for (const PhotoMeasurement& photo : entry.measurement.photos) {
      entry.photos.emplace_back(photo.file);
    }
    const auto added = AddVisit(Record(), entry);
    ASSERT_TRUE(added) << added.error().message;
  }

  [[nodiscard]] std::filesystem::path Record() const { return folder_ / "harp.tinerec"; }
  [[nodiscard]] bool Exists(const std::string& name) const {
    return std::filesystem::exists(folder_ / name);
  }
  void ExpectRefused(const std::string& arguments, int status, const std::string& why) {
    const CommandOutcome outcome = RunTinesight("report " + arguments, folder_.Path());
    EXPECT_EQ(outcome.status, status) << arguments << ": " << outcome.err;
    EXPECT_THAT(outcome.err, HasSubstr(why)) << arguments;
    EXPECT_EQ(std::count(outcome.err.begin(), outcome.err.end(), '\n'), 1) << outcome.err;
  }

  testing::TempFolder folder_;
};

TEST_F(ReportCommand, WritesThePdfBesideTheRecordIfNotToldWhere) {
  const std::string before = *ReadFileBytes(Record());
  const CommandOutcome outcome = RunTinesight("report harp.tinerec", folder_.Path());
  ASSERT_EQ(outcome.status, 0) << outcome.err;
  EXPECT_THAT(PdfText(folder_ / "harp_as_found_report.pdf"), HasSubstr("F#2"));
  EXPECT_THAT(outcome.out, HasSubstr("left out: photo B1.jpg"));
  EXPECT_EQ(*ReadFileBytes(Record()), before) << "the record was changed";
  EXPECT_EQ(folder_.FileCount(), 2u);
}

TEST_F(ReportCommand, WritesEverythingThatItIsAskedFor) {
  AddVisitNamed("as left", "2024-05-02");
  ASSERT_TRUE(AddWorkDone(Record(), {0, 41, "turned the tine", {"AB", "2024-05-02", ""}}));
  const CommandOutcome outcome = RunTinesight(
      "report harp.tinerec --visit 'as left' --paper A4 --pdf out.pdf --images images "
      "--csv out.csv --json out.json --model model",
      folder_.Path());
  ASSERT_EQ(outcome.status, 0) << outcome.err;
  EXPECT_THAT(PdfText(folder_ / "out.pdf"), HasSubstr("as left"));
  EXPECT_TRUE(Exists("images/F#2_as_left.jpg"));
  EXPECT_TRUE(Exists("model/harp.ply"));
  EXPECT_TRUE(Exists("model/harp.gltf"));

  const auto json = nlohmann::json::parse(*ReadFileBytes(folder_ / "out.json"));
  ASSERT_EQ(json.at("visits").size(), 2u);
  EXPECT_EQ(json["visits"][1]["name"], "as left");
  EXPECT_EQ(json["visits"][1]["result"]["notes"].size(), 4u);
  EXPECT_EQ(json["visits"][1]["result"]["photos"][0]["file"], "B1.jpg");
  EXPECT_EQ(json["work_done"][0]["note"], "F2");
  EXPECT_TRUE(json["visits"][0].contains("work_list"));
  EXPECT_EQ(json["visits"][0]["tone"]["notes"][1]["name"], "F2");
  EXPECT_TRUE(json["visits"][0]["tone"]["notes"][1].contains("verdict"));
  EXPECT_THAT(*ReadFileBytes(folder_ / "out.json"), Not(HasSubstr("/somewhere")));

  // A header and four notes of two visits.
  const std::string csv = *ReadFileBytes(folder_ / "out.csv");
  EXPECT_EQ(std::count(csv.begin(), csv.end(), '\n'), 9) << csv;
  EXPECT_THAT(csv, HasSubstr("\r\nas left,2024-05-02,AB,F2,41,"));
  EXPECT_THAT(csv, HasSubstr("turned the tine\r\n"));
  EXPECT_THAT(csv.substr(0, csv.find('\n')), HasSubstr(",to_the_ear,findings,work_done\r"));
  EXPECT_THAT(csv, HasSubstr("blends in,"));
}

TEST_F(ReportCommand, ReportsOnTheNewestVisitUnlessTold) {
  AddVisitNamed("as left", "2024-05-02");
  ASSERT_EQ(RunTinesight("report harp.tinerec", folder_.Path()).status, 0);
  EXPECT_TRUE(Exists("harp_as_left_report.pdf"));
}

TEST_F(ReportCommand, RefusesBadInputWithOneLine) {
  ExpectRefused("harp.tinerec --visit 'as lost'", 1, "no visit named \"as lost\"; it has \"as fou");
  ExpectRefused("none.tinerec", 1, "none.tinerec");
  folder_.Write("noise.tinerec", "this is no record");
  ExpectRefused("noise.tinerec", 1, "noise.tinerec");
  ExpectRefused("harp.tinerec --paper tabloid", 2, "--paper");
  ExpectRefused("harp.tinerec --pdf none/out.pdf", 1, "none");
  ExpectRefused("", 2, "record");
  ExpectRefused("harp.tinerec --model harp.stl", 2, "must end in .ply or .gltf");
  for (const std::string option : {"--pdf", "--csv", "--json", "--images", "--visit", "--model"}) {
    ExpectRefused("harp.tinerec " + option + " ''", 2, option + ": is blank");
  }
  EXPECT_EQ(folder_.FileCount(), 2u);
}

TEST_F(ReportCommand, NeverWritesOverTheRecord) {
  const std::string before = *ReadFileBytes(Record());
  ExpectRefused("harp.tinerec --pdf ./harp.tinerec", 2, "named twice");
  ExpectRefused("harp.tinerec --json out.txt --csv out.txt", 2, "named twice");
  ExpectRefused("none.tinerec --csv ./none.tinerec", 2, "named twice");  // before it is read
  // The report's own name, where none is given.
  ExpectRefused("harp.tinerec --json harp_as_found_report.pdf", 2, "named twice");
  EXPECT_EQ(folder_.FileCount(), 1u);
  EXPECT_EQ(*ReadFileBytes(Record()), before);
}

TEST_F(ReportCommand, LeavesAnEarlierReportAloneWhenItFails) {
  folder_.Write("out.pdf", "an earlier report");
  ExpectRefused("harp.tinerec --pdf out.pdf --csv none/out.csv", 1, "none");
  std::filesystem::create_directories(folder_ / "model" / "harp.gltf");
  ExpectRefused("harp.tinerec --pdf out.pdf --model model", 1, "harp.gltf: cannot be written");
  EXPECT_EQ(*ReadFileBytes(folder_ / "out.pdf"), "an earlier report");
}

}  // namespace
}  // namespace tinesight
