#include "record/visit_record.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <fstream>
#include <random>

#include "calibration/file_io.hpp"
#include "record/database.hpp"
#include "record/sha256.hpp"
#include "tests/sample_visit.hpp"
#include "tests/temp_folder.hpp"

namespace tinesight {
namespace {

using ::testing::HasSubstr;

VisitEntry Entry(const std::string& name, const tinesight::testing::TempFolder& folder) {
  std::ofstream(folder / "B1.jpg") << "abc";
  return {name, "demo", {folder / "B1.jpg", folder / "missing.jpg"}, SampleVisit()};
}

std::string Bytes(const std::filesystem::path& file) { return *ReadFileBytes(file); }

TEST(VisitRecord, KeepsPhotosFiguresAndVerdicts) {
  const tinesight::testing::TempFolder folder;
  const auto file = folder / "piano.tinerec";
  const auto added = AddVisit(file, Entry("as found", folder));
  ASSERT_TRUE(added) << added.error().message;
  const auto database = Database::Open(file, Database::Mode::kReadOnly);
  ASSERT_TRUE(database);
  auto check = database->Prepare("PRAGMA integrity_check");
  ASSERT_TRUE(check && *check->Step());
  EXPECT_EQ(check->Text(0), "ok");
  EXPECT_EQ(*database->QueryInteger("PRAGMA application_id"), kRecordApplicationId);
  EXPECT_EQ(*database->QueryInteger("PRAGMA user_version"), 1);
  EXPECT_EQ(*database->QueryInteger("SELECT count(*) FROM pragma_foreign_key_check"), 0);
  EXPECT_EQ(*database->QueryInteger("SELECT count(*) FROM note"), 4);
  EXPECT_EQ(*database->QueryInteger("SELECT count(*) FROM photo WHERE used"), 1);
  auto row = database->Prepare(
      "SELECT value, expanded_u, verdict FROM measurement JOIN note ON note.id = note_id"
      " WHERE midi = 41 AND quantity = 'lateral_mm'");
  ASSERT_TRUE(row && *row->Step());
  EXPECT_EQ(row->Real(0), 0.9);
  EXPECT_EQ(row->Real(1), 0.05);
  EXPECT_EQ(row->Text(2), "re-center");
  EXPECT_EQ(*database->QueryInteger("SELECT count(*) FROM measurement JOIN note ON note.id ="
                                    " note_id WHERE midi = 43 AND value IS NOT NULL"),
            0);
  auto digest = database->Prepare("SELECT lower(hex(sha256)) FROM photo ORDER BY id");
  ASSERT_TRUE(digest && *digest->Step());
  // FIPS 180-2, appendix B.1: SHA-256 of "abc".
  EXPECT_EQ(digest->Text(0), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
  ASSERT_TRUE(*digest->Step());
  EXPECT_EQ(digest->Text(0), "");
}

TEST(VisitRecord, AddsASecondVisitAndRefusesTheSameNameAgain) {
  const tinesight::testing::TempFolder folder;
  const auto file = folder / "piano.tinerec";
  ASSERT_TRUE(AddVisit(file, Entry("as found", folder)));
  ASSERT_TRUE(CheckVisitRecord(file, "as left"));
  ASSERT_TRUE(AddVisit(file, Entry("as left", folder)));
  const std::string before = Bytes(file);
  const auto again = AddVisit(file, Entry("as found", folder));
  ASSERT_FALSE(again);
  EXPECT_THAT(again.error().message, HasSubstr("already has a visit named \"as found\""));
  EXPECT_FALSE(CheckVisitRecord(file, "as left"));
  EXPECT_EQ(Bytes(file), before);
  EXPECT_EQ(folder.FileCount(), 2);  // the record and B1.jpg: no journal, no temporary file
  const auto database = Database::Open(file, Database::Mode::kReadOnly);
  EXPECT_EQ(*database->QueryInteger("SELECT count(*) FROM visit"), 2);
  EXPECT_EQ(*database->QueryInteger("SELECT count(*) FROM note"), 8);
}

TEST(VisitRecord, LeavesNothingWhenAVisitIsRefusedHalfway) {
  const tinesight::testing::TempFolder folder;
  const auto file = folder / "piano.tinerec";
  VisitEntry bad = Entry("bad", folder);
  bad.measurement.notes[2].midi = 400;  // refused by the table after two notes went in
  EXPECT_FALSE(AddVisit(file, bad));
  EXPECT_FALSE(std::filesystem::exists(file));
  ASSERT_TRUE(AddVisit(file, Entry("good", folder)));
  EXPECT_FALSE(AddVisit(file, bad));
  const auto database = Database::Open(file, Database::Mode::kReadOnly);
  EXPECT_EQ(*database->QueryInteger("SELECT count(*) FROM visit"), 1);
  EXPECT_EQ(*database->QueryInteger("SELECT count(*) FROM note"), 4);
}

TEST(VisitRecord, RefusesFilesOfOthersUntouched) {
  const tinesight::testing::TempFolder folder;
  std::ofstream(folder / "text.tinerec")
      << "not a record, but longer than a hundred bytes. " << std::string(200, 'x');
  std::ofstream(folder / "empty.tinerec");
  auto other = Database::InMemory();
  ASSERT_TRUE(other->Execute("CREATE TABLE t (x)"));
  ASSERT_TRUE(WriteFileAtomically(folder / "other.tinerec", *other->Serialize()));
  ASSERT_TRUE(other->Execute("PRAGMA application_id = " + std::to_string(kRecordApplicationId) +
                             "; PRAGMA user_version = 1"));
  ASSERT_TRUE(WriteFileAtomically(folder / "posing.tinerec", *other->Serialize()));
  ASSERT_TRUE(other->Execute("PRAGMA user_version = 7"));
  ASSERT_TRUE(WriteFileAtomically(folder / "newer.tinerec", *other->Serialize()));
  std::filesystem::create_directory(folder / "folder.tinerec");
  const std::pair<const char*, const char*> cases[] = {
      {"text.tinerec", "is no service record"}, {"empty.tinerec", "is no service record"},
      {"other.tinerec", "another program"},     {"posing.tinerec", "tables are not those"},
      {"newer.tinerec", "written by a newer"},  {"folder.tinerec", "is no service record"}};
  for (const auto& [name, expected] : cases) {
    const bool is_file = std::filesystem::is_regular_file(folder / name);
    const std::string before = is_file ? Bytes(folder / name) : "";
    const auto added = AddVisit(folder / name, Entry("as found", folder));
    ASSERT_FALSE(added) << name;
    EXPECT_THAT(added.error().message, HasSubstr(expected)) << name;
    EXPECT_THAT(added.error().message, HasSubstr(name));
    if (is_file) {
      EXPECT_EQ(Bytes(folder / name), before) << name;
    }
  }
}

TEST(VisitRecord, NeverTakesADamagedFileForAWholeOne) {
  const tinesight::testing::TempFolder folder;
  const auto file = folder / "piano.tinerec";
  ASSERT_TRUE(AddVisit(file, Entry("as found", folder)));
  const std::string sound = Bytes(file);
  std::mt19937 random(7);
  for (int round = 0; round < 200; ++round) {
    std::string damaged = sound;
    if (round % 4 == 0) {
      damaged.resize(random() % damaged.size());
    } else {
      for (int i = 0; i < 40; ++i) {
        damaged[random() % damaged.size()] = static_cast<char>(random());
      }
    }
    std::ofstream(file, std::ios::binary | std::ios::trunc) << damaged;
    // Refused with one line, or (where only unused or value bytes changed) added to; no crash.
    const auto added = AddVisit(file, Entry("as left", folder));
    if (!added) {
      EXPECT_THAT(added.error().message, HasSubstr("piano.tinerec"));
      EXPECT_EQ(added.error().message.find('\n'), std::string::npos);
      EXPECT_EQ(Bytes(file), damaged) << "a refused record was changed, round " << round;
    } else {
      EXPECT_FALSE(CheckVisitRecord(file, "as left"));
    }
  }
  for (int round = 0; round < 50; ++round) {
    std::string noise = sound.substr(0, 100);  // a header that looks right
    while (noise.size() < sound.size()) noise += static_cast<char>(random());
    std::ofstream(file, std::ios::binary | std::ios::trunc) << noise;
    EXPECT_FALSE(AddVisit(file, Entry("as left", folder)));
  }
}

}  // namespace
}  // namespace tinesight
