// A service record through kills, other writers, older versions and files of strangers.
#include <fcntl.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sqlite3.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <csignal>
#include <functional>
#include <map>
#include <random>

#include "calibration/file_io.hpp"
#include "record/database.hpp"
#include "record/record_schema.hpp"
#include "tests/made_record.hpp"
#include "tests/photo_files.hpp"
#include "tests/run_command.hpp"
#include "tests/temp_folder.hpp"
#include "vision/photo.hpp"

namespace tinesight {
namespace {

namespace fs = std::filesystem;
using ::testing::HasSubstr;
using ::testing::SizeIs;
using tinesight::testing::ExpectOneLine;
using tinesight::testing::TempFolder;

std::string Bytes(const fs::path& file) { return *ReadFileBytes(file); }

Finding Remark(const std::string& text) {
  Finding finding;
  finding.midi = 40;
  finding.text = text;
  return finding;
}

/// Runs `work` in a process of its own; gives how it ended (waitpid's status).
int InChild(const std::function<int()>& work) {
  const pid_t child = fork();
  if (child == 0) _exit(work());
  int status = 0;
  waitpid(child, &status, 0);
  return status;
}

// Killed at any moment.
//
// SQLite lets a program replace its system calls (sqlite3_vfs, xSetSystemCall). Ours count what
// changes a file, and at a chosen one write half of the bytes and end the process by SIGKILL.

int g_calls = 0;
int g_kill_at = -1;

bool IsLastCall() { return ++g_calls == g_kill_at; }

ssize_t KillingPwrite(int fd, const void* bytes, size_t size, off_t offset) {
  const bool last = IsLastCall();
  const ssize_t written = ::pwrite(fd, bytes, last ? size / 2 : size, offset);
  if (last) raise(SIGKILL);
  return written;
}
ssize_t KillingWrite(int fd, const void* bytes, size_t size) {
  const bool last = IsLastCall();
  const ssize_t written = ::write(fd, bytes, last ? size / 2 : size);
  if (last) raise(SIGKILL);
  return written;
}
int KillingTruncate(int fd, off_t size) {
  if (IsLastCall()) raise(SIGKILL);
  return ::ftruncate(fd, size);
}
int KillingUnlink(const char* name) {
  if (IsLastCall()) raise(SIGKILL);
  return ::unlink(name);
}

template <typename Call>
void Replace(sqlite3_vfs* vfs, const char* name, Call call) {
  if (vfs->xGetSystemCall(vfs, name) == nullptr) return;
  vfs->xSetSystemCall(vfs, name, reinterpret_cast<sqlite3_syscall_ptr>(call));
}

void CountFileChanges(int kill_at) {
  g_calls = 0;
  g_kill_at = kill_at;
  sqlite3_vfs* vfs = sqlite3_vfs_find(nullptr);
  Replace(vfs, "pwrite", &KillingPwrite);
  Replace(vfs, "pwrite64", &KillingPwrite);
  Replace(vfs, "write", &KillingWrite);
  Replace(vfs, "ftruncate", &KillingTruncate);
  Replace(vfs, "unlink", &KillingUnlink);
}

class KilledWriter : public ::testing::Test {
 protected:
  KilledWriter() {
    folder_.Write("B1.jpg", std::string(60000, 'p'));
    EXPECT_TRUE(AddVisit(folder_ / "start.tinerec", SampleEntry("visit 0")));
  }

  // One visit with its picture, then a finding and a tick.
  int WriteAll(int kill_at) const {
    CountFileChanges(kill_at);
    VisitEntry entry = SampleEntry("visit 1");
    entry.photos = {folder_ / "B1.jpg"};
    entry.embed_photos = true;
    const auto id = AddVisit(file_, entry);
    if (!id || !AddFinding(file_, Remark("loose"))) return 1;
    return TickWork(file_, {0, *id, 41, WorkTask::kGap, true, {}}) ? 0 : 1;
  }

  // What the record holds is one of the states between two changes, and all of it.
  int ExpectWholeState(int kill_at) const {
    const ServiceRecord record = Reread(file_);
    for (const Visit& visit : record.visits) {
      EXPECT_THAT(visit.measurement.notes, SizeIs(4)) << kill_at;
      EXPECT_THAT(visit.measurement.photos, SizeIs(2)) << kill_at;
      EXPECT_EQ(visit.Find(41)->lateral_mm->value, 0.9) << kill_at;
    }
    const auto state = record.visits.size() + record.findings.size() + record.ticks.size();
    EXPECT_GE(state, 1U) << kill_at;
    if (record.visits.size() == 2) {
      EXPECT_EQ(record.visits[1].photos[0].embedded_bytes, 60000U) << kill_at;
    }
    EXPECT_GE(record.visits.size(), record.findings.empty() ? 1U : 2U) << kill_at;
    EXPECT_GE(record.findings.size(), record.ticks.size()) << kill_at;
    return static_cast<int>(state);
  }

  TempFolder folder_;
  fs::path file_ = folder_ / "piano.tinerec";
};

TEST_F(KilledWriter, LeavesTheEarlierStateOrTheNewOneAtFiftyRandomMoments) {
  fs::copy_file(folder_ / "start.tinerec", file_);
  const int counted = InChild([&] {
    const int failed = WriteAll(-1);
    return failed != 0 ? 0 : std::min(g_calls, 255);
  });
  ASSERT_TRUE(WIFEXITED(counted));
  const int calls = WEXITSTATUS(counted);
  ASSERT_GT(calls, 60) << "too few changes of the file to choose among";
  std::mt19937 random(1);
  std::map<int, int> states;
  int with_journal = 0;
  for (int round = 0; round < 50; ++round) {
    fs::copy_file(folder_ / "start.tinerec", file_, fs::copy_options::overwrite_existing);
    fs::remove(folder_ / "piano.tinerec-journal");
    const int kill_at = 1 + static_cast<int>(random() % static_cast<unsigned>(calls));
    const int status = InChild([&] { return WriteAll(kill_at); });
    ASSERT_TRUE(WIFSIGNALED(status) && WTERMSIG(status) == SIGKILL) << kill_at;
    const bool journal = fs::exists(folder_ / "piano.tinerec-journal");
    with_journal += journal ? 1 : 0;
    const std::string left = Bytes(file_);
    ++states[ExpectWholeState(kill_at)];
    EXPECT_EQ(Bytes(file_), left) << "reading changed the file, killed at " << kill_at;
    EXPECT_EQ(fs::exists(folder_ / "piano.tinerec-journal"), journal) << kill_at;
    // The next change finds its way, undoing what was half done.
    ASSERT_TRUE(AddFinding(file_, Remark("after the kill"))) << kill_at;
    EXPECT_FALSE(fs::exists(folder_ / "piano.tinerec-journal"));
    const auto database = Database::Open(file_, Database::Mode::kReadOnly);
    auto check = database->Prepare("PRAGMA integrity_check");
    ASSERT_TRUE(check && *check->Step());
    EXPECT_EQ(check->Text(0), "ok") << kill_at;
    EXPECT_EQ(*database->QueryInteger("SELECT count(*) FROM pragma_foreign_key_check"), 0);
  }
  // The moments were spread over all three changes, most of them in the middle of one.
  EXPECT_GE(states.size(), 2U);
  EXPECT_GE(with_journal, 25);
}

TEST_F(KilledWriter, BringsAnOlderRecordForwardWhollyOrNotAtAll) {
  const fs::path version1 = fs::path(TINESIGHT_SOURCE_DIR) / "tests/data/version1.tinerec";
  int brought_forward = 0;
  for (int kill_at = 3; kill_at < 90; kill_at += 6) {
    fs::copy_file(version1, file_, fs::copy_options::overwrite_existing);
    fs::remove(folder_ / "piano.tinerec-journal");
    InChild([&] { return WriteAll(kill_at); });
    const ServiceRecord record = Reread(file_);
    EXPECT_GE(record.visits.size(), 1U) << kill_at;
    EXPECT_NE(record.FindVisit("as found"), nullptr) << kill_at;
    ASSERT_TRUE(AddFinding(file_, Remark("after the kill"))) << kill_at;
    brought_forward += record.visits.size() > 1 ? 1 : 0;
  }
  EXPECT_GT(brought_forward, 0);
}

TEST_F(KilledWriter, NeverLeavesAHalfNewRecord) {
  std::mt19937 random(2);
  for (int round = 0; round < 10; ++round) {
    const pid_t child = fork();
    if (child == 0) {
      for (int i = 0;; ++i) {
        (void)AddVisit(folder_ / ("new" + std::to_string(i) + ".tinerec"), SampleEntry("visit 0"));
      }
    }
    usleep(2000 + static_cast<useconds_t>(random() % 30000));
    kill(child, SIGKILL);
    waitpid(child, nullptr, 0);
    for (const auto& entry : fs::directory_iterator(folder_.Path())) {
      if (entry.path().extension() != ".tinerec") continue;
      EXPECT_THAT(Reread(entry.path()).visits, SizeIs(1)) << entry.path();
      if (entry.path().filename() != "start.tinerec") fs::remove(entry.path());
    }
  }
}

// Several writers.

TEST(SeveralWriters, LoseNothing) {
  const TempFolder folder;
  const auto file = folder / "piano.tinerec";
  constexpr int kWriters = 3;
  constexpr int kEntries = 8;
  std::vector<pid_t> children;
  for (int writer = 0; writer < kWriters; ++writer) {
    const pid_t child = fork();
    if (child == 0) {
      // All of them find no record and make it: each one's first visit must survive.
      int kept = 0;
      const std::string name = "visit " + std::to_string(writer);
      const auto added = AddVisit(file, SampleEntry(name));
      if (!added) _exit(added.error().message.find("busy") != std::string::npos ? 0 : 200);
      ++kept;
      for (int i = 0; i < kEntries; ++i) {
        const auto noted = AddFinding(file, Remark(name + " " + std::to_string(i)));
        kept += noted ? 1 : 0;
        if (!noted && noted.error().message.find("busy") == std::string::npos) _exit(201);
      }
      _exit(kept);
    }
    children.push_back(child);
  }
  std::size_t kept = 0;
  for (const pid_t child : children) {
    int status = 0;
    waitpid(child, &status, 0);
    ASSERT_TRUE(WIFEXITED(status));
    ASSERT_LT(WEXITSTATUS(status), 200) << "a writer failed otherwise than by being told busy";
    kept += static_cast<std::size_t>(WEXITSTATUS(status));
  }
  const ServiceRecord record = Reread(file);
  EXPECT_EQ(record.visits.size() + record.findings.size(), kept);
  EXPECT_GT(kept, 0U);
}

TEST(SeveralWriters, AreToldThatTheRecordIsBusy) {
  const TempFolder folder;
  const auto file = folder / "piano.tinerec";
  ASSERT_TRUE(AddVisit(file, SampleEntry("as found")));
  auto other = Database::Open(file, Database::Mode::kReadWrite);
  ASSERT_TRUE(other->Execute("BEGIN EXCLUSIVE"));
  const auto noted = AddFinding(file, Remark("x"));
  ASSERT_FALSE(noted);
  ExpectOneLine(noted.error().message);
  EXPECT_THAT(noted.error().message, HasSubstr("piano.tinerec: is busy: another program"));
  ASSERT_TRUE(other->Execute("ROLLBACK"));
  EXPECT_TRUE(AddFinding(file, Remark("x")));
}

// An older version.

TEST(OlderRecord, IsReadAsItIsAndBroughtForwardByTheNextChange) {
  const TempFolder folder;
  const auto file = folder / "piano.tinerec";
  // Written by version 1 of the schema, from two sample photos.
  fs::copy_file(fs::path(TINESIGHT_SOURCE_DIR) / "tests/data/version1.tinerec", file);
  fs::permissions(file, fs::perms::owner_read | fs::perms::owner_write);
  const std::string before = Bytes(file);
  const ServiceRecord old = Reread(file);
  EXPECT_EQ(Bytes(file), before);
  ASSERT_THAT(old.visits, SizeIs(1));
  const Visit& visit = old.visits[0];
  EXPECT_EQ(visit.kind, VisitKind::kAsFound);
  EXPECT_EQ(visit.date, visit.recorded_utc.substr(0, 10));
  EXPECT_EQ(visit.technician, "");
  ASSERT_THAT(visit.sets, SizeIs(1));
  EXPECT_EQ(visit.sets[0].damper, DamperState::kHarpRaised);
  EXPECT_THAT(visit.profile.notes, SizeIs(0));
  ASSERT_THAT(visit.photos, SizeIs(2));
  EXPECT_TRUE(visit.photos[0].sha256);
  // Every row of the file itself, read by plain SQL.
  const auto raw = Database::Open(file, Database::Mode::kReadOnly);
  EXPECT_EQ(*raw->QueryInteger("PRAGMA user_version"), 1);
  auto rows = raw->Prepare(
      "SELECT midi, photos, correction_deg, reason, value, expanded_u, verdict"
      " FROM note JOIN measurement ON note_id = id WHERE quantity = 'lateral_mm' ORDER BY midi");
  ASSERT_TRUE(rows);
  std::size_t notes = 0;
  for (; *rows->Step(); ++notes) {
    const NoteMeasurement* note = visit.Find(static_cast<int>(rows->Integer(0)));
    ASSERT_NE(note, nullptr);
    EXPECT_EQ(note->photos, rows->Integer(1));
    EXPECT_EQ(note->correction_deg, rows->OptionalReal(2));
    EXPECT_EQ(note->reason, rows->Text(3));
    ASSERT_EQ(note->lateral_mm.has_value(), !rows->IsNull(4));
    if (note->lateral_mm) {
      EXPECT_EQ(note->lateral_mm->value, rows->Real(4));
      EXPECT_EQ(note->lateral_mm->expanded_u, rows->Real(5));
    }
    EXPECT_EQ(VerdictWord(note->lateral_verdict, Quantity::kLateral), rows->Text(6));
  }
  EXPECT_GT(notes, 10U);
  EXPECT_EQ(visit.measurement.notes.size(), notes);

  ASSERT_TRUE(AddVisit(file, SampleEntry("as left")));
  const ServiceRecord now = Reread(file);
  ASSERT_THAT(now.visits, SizeIs(2));
  EXPECT_EQ(now.FindVisit("as found")->measurement.notes.size(), notes);
  EXPECT_EQ(now.Profile().notes.size(), 11U);
  const auto migrated = Database::Open(file, Database::Mode::kReadOnly);
  EXPECT_EQ(*migrated->QueryInteger("PRAGMA user_version"), kRecordSchemaVersion);
  EXPECT_EQ(*migrated->QueryInteger("SELECT count(*) FROM pragma_foreign_key_check"), 0);
}

// Files of strangers.

class StrangeFile : public ::testing::Test {
 protected:
  StrangeFile() {
    EXPECT_TRUE(AddVisit(folder_ / "sound.tinerec", SampleEntry("as found")));
    sound_ = Bytes(folder_ / "sound.tinerec");
    fs::remove(folder_ / "sound.tinerec");
  }

  // A sound record with SQL run on it by another program.
  std::string Tampered(const std::string& sql) {
    const auto database = Database::FromBytes(sound_, "tampered");
    const auto done = database->Execute(sql);
    EXPECT_TRUE(done) << sql << ": " << done.error().message;
    return *database->Serialize();
  }

  // Every way in refuses it with one line that says `expected`, and the file stays as it is.
  void ExpectRefused(const std::string& bytes, const std::string& expected,
                     const std::string& what) {
    const auto file = folder_.Write("strange.tinerec", bytes);
    const auto refused = [&](const auto& result) {
      ASSERT_FALSE(result) << what;
      ExpectOneLine(result.error().message);
      EXPECT_THAT(result.error().message, HasSubstr("strange.tinerec")) << what;
      EXPECT_THAT(result.error().message, HasSubstr(expected)) << what;
    };
    refused(ReadServiceRecord(file));
    refused(CheckVisitRecord(file, "as left", DamperState::kHarpRaised));
    refused(AddVisit(file, SampleEntry("as left")));
    refused(AddFinding(file, Remark("x")));
    refused(SetInstrumentInfo(file, {}));
    refused(WithdrawEntry(file, EntryKind::kFinding, 1));
    refused(ReadEmbeddedPhoto(file, 1));
    refused(CopyServiceRecord(file, folder_ / "copy.tinerec"));
    EXPECT_EQ(Bytes(file), bytes) << what;
    EXPECT_EQ(folder_.FileCount(), 1U) << what;
  }

  TempFolder folder_;
  std::string sound_;
};

TEST_F(StrangeFile, ThatIsNoRecordIsRefusedUntouched) {
  std::mt19937 random(3);
  std::string noise(20000, '\0');
  for (char& c : noise) c = static_cast<char>(random());
  ExpectRefused(noise, "is no service record", "random bytes");
  ExpectRefused("", "is no service record", "empty");
  ExpectRefused("text", "is no service record", "text");
  ExpectRefused(sound_.substr(0, 60), "is no service record", "half a header");
  ExpectRefused(Tampered("PRAGMA application_id = 1"), "another program", "application id");
  ExpectRefused(sound_.substr(0, 100) + noise, "damaged", "a header alone");
}

TEST_F(StrangeFile, WithATruncatedEndIsRefusedUntouched) {
  for (const std::size_t part : {3U, 10U, 50U, 90U, 99U}) {
    ExpectRefused(sound_.substr(0, sound_.size() * part / 100), "damaged",
                  std::to_string(part) + " %");
  }
  ExpectRefused(sound_.substr(0, sound_.size() - 1), "damaged", "one byte short");
}

TEST_F(StrangeFile, WithRowsThatBelongToNothingIsRefusedUntouched) {
  ExpectRefused(Tampered("PRAGMA foreign_keys = OFF; DELETE FROM visit"), "damaged",
                "photos without a visit");
}

TEST_F(StrangeFile, OfANewerOrUnknownVersionIsRefusedUntouched) {
  ExpectRefused(Tampered("PRAGMA user_version = 4"), "written by a newer Tinesight", "4");
  ExpectRefused(Tampered("PRAGMA user_version = 2000000000"), "newer", "2000000000");
  ExpectRefused(Tampered("PRAGMA user_version = 0"), "tables are not those", "0");
  ExpectRefused(Tampered("PRAGMA user_version = -5"), "tables are not those", "-5");
  ExpectRefused(Tampered("PRAGMA user_version = 1"), "tables are not those", "1");
}

TEST_F(StrangeFile, WithSomethingSlippedInIsRefusedUntouched) {
  const char* kSql[] = {
      "CREATE VIEW harmless AS SELECT * FROM visit",
      "CREATE TRIGGER t AFTER INSERT ON visit BEGIN DELETE FROM visit; END",
      "CREATE TABLE extra (x)",
      "CREATE INDEX extra ON visit (date)",
      "ALTER TABLE finding ADD COLUMN extra TEXT",
      "DROP TABLE finding",
      "DROP TABLE photo_picture; CREATE VIEW photo_picture AS SELECT 1 AS photo_id, 2 AS bytes",
      "CREATE VIRTUAL TABLE f USING fts5 (x)",
  };
  for (const char* sql : kSql) ExpectRefused(Tampered(sql), "tables are not those", sql);
}

TEST_F(StrangeFile, InWriteAheadModeIsRefusedUntouched) {
  std::string wal = sound_;
  wal[18] = wal[19] = 2;
  ExpectRefused(wal, "write-ahead log", "write-ahead log");
}

TEST_F(StrangeFile, WithDamagedValuesIsRefusedUntouched) {
  for (const char* sql :
       {"UPDATE photo SET camera = '{' WHERE used", "UPDATE photo SET camera = '[]' WHERE used",
        "UPDATE photo SET camera_from_harp = '[[1]]' WHERE used", "UPDATE photo SET notes = '{}'",
        "UPDATE note SET covariance = '[[null]]'", "UPDATE profile SET json = '{\"notes\":3}'"}) {
    const auto file = folder_.Write("values.tinerec", Tampered(sql));
    const std::string before = Bytes(file);
    const auto record = ReadServiceRecord(file);
    ASSERT_FALSE(record) << sql;
    ExpectOneLine(record.error().message);
    EXPECT_THAT(record.error().message, HasSubstr("values.tinerec: "));
    EXPECT_EQ(Bytes(file), before);
  }
}

TEST_F(StrangeFile, ThatIsNoFileIsRefused) {
  fs::create_directory(folder_ / "folder.tinerec");
  ASSERT_EQ(mkfifo((folder_ / "pipe.tinerec").c_str(), 0600), 0);
  for (const char* name : {"folder.tinerec", "pipe.tinerec"}) {
    const auto record = ReadServiceRecord(folder_ / name);
    ASSERT_FALSE(record);
    EXPECT_THAT(record.error().message, HasSubstr("is no service record"));
    EXPECT_FALSE(AddVisit(folder_ / name, SampleEntry("as found")));
  }
  const auto missing = ReadServiceRecord(folder_ / "missing.tinerec");
  ASSERT_FALSE(missing);
  EXPECT_THAT(missing.error().message, HasSubstr("there is no such service record"));
  EXPECT_FALSE(AddFinding(folder_ / "missing.tinerec", Remark("x")));
  EXPECT_FALSE(fs::exists(folder_ / "missing.tinerec"));
  EXPECT_FALSE(AddVisit(folder_ / "no_folder" / "new.tinerec", SampleEntry("as found")));
}

// A journal beside a record that is none of its own must not be let loose on it by reading.
TEST_F(StrangeFile, WithAJournalThatDoesNotFitStaysAsItIs) {
  const auto file = folder_.Write("strange.tinerec", sound_);
  std::mt19937 random(4);
  std::string journal("\xd9\xd5\x05\xf9\x20\xa1\x63\xd7", 8);
  while (journal.size() < 9000) journal += static_cast<char>(random());
  folder_.Write("strange.tinerec-journal", journal);
  const auto record = ReadServiceRecord(file);
  if (!record) ExpectOneLine(record.error().message);
  EXPECT_EQ(Bytes(file), sound_);
  EXPECT_EQ(Bytes(folder_ / "strange.tinerec-journal"), journal);
}

TEST_F(StrangeFile, NeverBringsTheProgramDown) {
  const auto file = folder_ / "piano.tinerec";
  std::mt19937 random(7);
  int refused = 0;
  for (int round = 0; round < 150; ++round) {
    std::string damaged = sound_;
    for (int i = 0; i < 1 + round % 40; ++i) {
      damaged[random() % damaged.size()] = static_cast<char>(random());
    }
    folder_.Write("piano.tinerec", damaged);
    // Refused with one line or, where only unused or value bytes changed, read and added to.
    const auto record = ReadServiceRecord(file);
    if (!record) {
      ++refused;
      ExpectOneLine(record.error().message);
      EXPECT_THAT(record.error().message, HasSubstr("piano.tinerec"));
    }
    EXPECT_EQ(Bytes(file), damaged) << "reading changed a record, round " << round;
    const auto added = AddVisit(file, SampleEntry("as left"));
    if (!added) {
      EXPECT_EQ(Bytes(file), damaged) << "a refused record was changed, round " << round;
    }
  }
  EXPECT_GT(refused, 50);
}

// A copy to send.

TEST(RecordCopy, IsCompactWholeAndNeverWrittenOverAFile) {
  const TempFolder folder;
  const auto file = folder / "piano.tinerec";
  ASSERT_TRUE(AddVisit(file, SampleEntry("as found")));
  // What another program deleted is still in the file's free pages.
  auto database = Database::Open(file, Database::Mode::kReadWrite);
  ASSERT_TRUE(AddAttachment(file, {0, {}, {}, "secret.txt", "text/plain", "", 0, {}, {}},
                            "a secret" + std::string(20000, '.')));
  ASSERT_TRUE(database->Execute("PRAGMA secure_delete = OFF; DELETE FROM attachment"));
  ASSERT_NE(Bytes(file).find("a secret"), std::string::npos);
  const std::string before = Bytes(file);
  const auto copied = CopyServiceRecord(file, folder / "copy.tinerec");
  ASSERT_TRUE(copied) << copied.error().message;
  EXPECT_EQ(Bytes(file), before);
  EXPECT_EQ(Bytes(folder / "copy.tinerec").find("a secret"), std::string::npos);
  EXPECT_THAT(Reread(folder / "copy.tinerec").visits, SizeIs(1));
  ASSERT_TRUE(AddFinding(folder / "copy.tinerec", Remark("on the copy")));
  const std::string copy = Bytes(folder / "copy.tinerec");
  const auto again = CopyServiceRecord(file, folder / "copy.tinerec");
  ASSERT_FALSE(again);
  EXPECT_THAT(again.error().message, HasSubstr("exists already"));
  EXPECT_EQ(Bytes(folder / "copy.tinerec"), copy);
  EXPECT_EQ(folder.FileCount(), 2U);
}

// A JPEG as a phone writes it: EXIF, and what stands behind the picture.
std::string PhoneJpeg(const std::string& serial) {
  testing::ExifFields exif;
  exif.make = "Demo";
  exif.model = serial;
  exif.orientation = 6;
  const cv::Mat stored = testing::Stored(testing::Quarters(), 6);
  return testing::WithExif(testing::Encoded(stored, ".jpg"), exif) + "trailer " + serial;
}

TEST(RecordCopy, TakesNothingOfThePhoneAlongWithItsPictures) {
  const TempFolder folder;
  const auto file = folder / "piano.tinerec";
  const std::string photo = PhoneJpeg("SERIAL-4711");
  folder.Write("a.jpg", photo);
  folder.Write("b.jpg", "SERIAL-4711, but no picture");
  VisitEntry entry = SampleEntry("as found");
  entry.photos = {folder / "a.jpg", folder / "b.jpg"};
  entry.embed_photos = true;
  ASSERT_TRUE(AddVisit(file, entry));
  ASSERT_TRUE(AddAttachment(file, {0, {}, {}, "c.jpg", "image/jpeg", "", 0, {}, {}},
                            PhoneJpeg("SERIAL-4712")));
  // The record itself keeps what was measured, byte for byte: its SHA-256 stands beside it.
  const PhotoRecord kept = Reread(file).visits[0].photos[0];
  EXPECT_EQ(*ReadEmbeddedPhoto(file, kept.id), photo);

  const auto copied = CopyServiceRecord(file, folder / "copy.tinerec");
  ASSERT_TRUE(copied) << copied.error().message;
  EXPECT_EQ(copied->pictures, 2);
  ASSERT_THAT(copied->left_out, SizeIs(1));
  EXPECT_THAT(copied->left_out[0], HasSubstr("B2.jpg")) << "as the visit names it";
  EXPECT_EQ(Bytes(folder / "copy.tinerec").find("SERIAL-47"), std::string::npos);
  const ServiceRecord copy = Reread(folder / "copy.tinerec");
  EXPECT_EQ(copy.visits[0].photos[0].sha256, kept.sha256) << "still that of what was measured";
  EXPECT_EQ(copy.visits[0].photos[1].embedded_bytes, 0U);
  const auto picture = ReadEmbeddedPhoto(folder / "copy.tinerec", copy.visits[0].photos[0].id);
  ASSERT_TRUE(picture);
  const auto decoded = DecodePhoto(*picture, "a.jpg");
  ASSERT_TRUE(decoded) << decoded.error().message;
  EXPECT_LT(testing::DifferenceInsideQuarters(decoded->bgr, testing::Quarters()), 8.0)
      << "upright, as it was measured";
}

}  // namespace
}  // namespace tinesight
