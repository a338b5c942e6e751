#include "record/result_json.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <fstream>
#include <limits>
#include <nlohmann/json.hpp>
#include <sstream>

#include "calibration/file_io.hpp"
#include "tests/sample_visit.hpp"
#include "tests/temp_folder.hpp"

namespace tinesight {
namespace {

using nlohmann::json;
using ::testing::HasSubstr;

TEST(ResultJson, HasTheAgreedKeysAndUnits) {
  const json result = json::parse(ResultJson(SampleVisit()));
  const json& photo = result.at("photos").at(0);
  EXPECT_EQ(photo.at("file"), "/somewhere/B1.jpg");
  EXPECT_EQ(photo.at("tags"), 38);
  EXPECT_EQ(photo.at("rms_px"), 0.4123);
  EXPECT_EQ(photo.at("notes"), json({40, 41, 42, 43}));
  EXPECT_EQ(photo.at("warnings").at(0), "the mount bar is blurred");
  const json& note = result.at("notes").at(1);
  EXPECT_EQ(note.at("midi"), 41);
  EXPECT_EQ(note.at("name"), "F2");
  EXPECT_EQ(note.at("photos"), 2);
  EXPECT_EQ(note.at("lateral_mm"), 0.9);
  EXPECT_EQ(note.at("lateral_u_mm"), 0.05);
  EXPECT_EQ(note.at("height_mm"), 1.21);
  EXPECT_EQ(note.at("height_u_mm"), 0.06);
  EXPECT_EQ(note.at("gap_mm"), 1.5);
  EXPECT_EQ(note.at("gap_u_mm"), 0.2);
  EXPECT_EQ(note.at("yaw_deg"), 0.46);
  EXPECT_EQ(note.at("yaw_u_deg"), 0.05);
  EXPECT_EQ(note.at("correction_deg"), -0.46);
  EXPECT_EQ(note.at("verdict"),
            json({{"lateral", "re-center"}, {"height", "in range"}, {"gap", "in range"}}));
  EXPECT_EQ(note.at("reason"), "");
}

TEST(ResultJson, LeavesOutWhatWasNotMeasured) {
  VisitMeasurement visit = SampleVisit();
  visit.notes[0].gap_mm = Measured{std::numeric_limits<double>::quiet_NaN(), 0.1};
  const json result = json::parse(ResultJson(visit));
  EXPECT_FALSE(result["notes"][0].contains("gap_mm"));
  EXPECT_FALSE(result["notes"][0].contains("tone_bar_yaw_deg"));
  const json& missing = result["notes"][3];
  EXPECT_EQ(missing.at("name"), "G2");
  EXPECT_THAT(missing.at("reason").get<std::string>(), HasSubstr("block hides"));
  for (const auto& [key, value] : missing.items()) {
    EXPECT_THAT(key, ::testing::AnyOf("midi", "name", "photos", "verdict", "reason", "advice",
                                      "suspicions"));
    EXPECT_FALSE(value.is_null()) << key;
  }
  EXPECT_FALSE(result["photos"][1].contains("rms_px"));
}

TEST(ResultJson, StaysValidForAFileNameThatIsNoUtf8) {
  VisitMeasurement visit = SampleVisit();
  visit.photos[0].file = "B\xff.jpg";
  EXPECT_EQ(json::parse(ResultJson(visit)).at("photos").at(0).at("file"), "B\uFFFD.jpg");
}

TEST(ResultJson, IsReadBackAsItWas) {
  const tinesight::testing::TempFolder folder;
  VisitMeasurement visit = SampleVisit();
  visit.notes[1].suspicions = {{SuspicionKind::kPickupOutOfLine, "pickup out of line"},
                               {SuspicionKind::kToneBarLow, "tone bar low"}};
  ASSERT_TRUE(WriteFileAtomically(folder / "r.json", ResultJson(visit)));
  const auto read = ReadResultJson(folder / "r.json");
  ASSERT_TRUE(read) << read.error().message;
  EXPECT_EQ(ResultJson(*read), ResultJson(visit));
  EXPECT_EQ(json::parse(ResultJson(*read))["notes"][1]["suspicions"][1],
            json({{"kind", "tone bar low"}, {"text", "tone bar low"}}));
}

TEST(ResultJson, RefusesAFileThatIsNoResult) {
  const tinesight::testing::TempFolder folder;
  std::ofstream(folder / "r.json") << R"({"photos":[],"notes":[{"midi":40}]})";
  const auto read = ReadResultJson(folder / "r.json");
  ASSERT_FALSE(read);
  EXPECT_THAT(read.error().message, HasSubstr("r.json: is no result"));
  EXPECT_THAT(read.error().message, HasSubstr("verdict"));
}

// Splits RFC 4180 text into records of fields.
std::vector<std::vector<std::string>> ParseCsv(const std::string& text) {
  std::vector<std::vector<std::string>> rows{{""}};
  bool quoted = false;
  for (std::size_t i = 0; i < text.size(); ++i) {
    const char c = text[i];
    if (quoted && c == '"' && i + 1 < text.size() && text[i + 1] == '"') {
      rows.back().back() += text[++i];
    } else if (c == '"') {
      quoted = !quoted;
    } else if (!quoted && c == ',') {
      rows.back().emplace_back();
    } else if (!quoted && c == '\r' && text.substr(i, 2) == "\r\n") {
      ++i;
      rows.push_back({""});
    } else {
      rows.back().back() += c;
    }
  }
  rows.pop_back();
  return rows;
}

TEST(ResultCsv, HasOneRowANoteAndUnitsInTheHeader) {
  const auto rows = ParseCsv(ResultCsv(SampleVisit()));
  ASSERT_EQ(rows.size(), 5U);
  for (const auto& row : rows) EXPECT_EQ(row.size(), rows[0].size());
  EXPECT_EQ(rows[0][3], "lateral_mm");
  EXPECT_EQ(rows[0][4], "lateral_u_mm");
  EXPECT_EQ(rows[2][0], "F2");
  EXPECT_EQ(rows[2][3], "0.9000");
  EXPECT_EQ(rows[4][3], "");
  EXPECT_EQ(rows[4][rows[4].size() - 3], "the block hides the tine, \"steeper\" is better");
}

TEST(ResultCsv, KeepsEveryKindOfTextInOneField) {
  VisitMeasurement visit = SampleVisit();
  visit.notes[0].reason = "a,b\r\n\"c\"";
  visit.notes[0].suspicions = {{SuspicionKind::kToneBarLow, "low"},
                               {SuspicionKind::kCrookedInBlock, "crooked"}};
  const auto rows = ParseCsv(ResultCsv(visit));
  ASSERT_EQ(rows.size(), 5U);
  EXPECT_EQ(rows[1][rows[1].size() - 3], "a,b\r\n\"c\"");
  EXPECT_EQ(rows[0].back(), "suspicions");
  EXPECT_EQ(rows[1].back(), "low; crooked");
}

}  // namespace
}  // namespace tinesight
