#include "record/record_schema.hpp"

#include <unistd.h>

#include <array>
#include <fstream>
#include <string_view>
#include <system_error>

#include "record/service_record.hpp"

namespace tinesight {
namespace {

namespace fs = std::filesystem;

constexpr const char* kVersion1 = R"sql(
CREATE TABLE visit (
  id INTEGER PRIMARY KEY,
  name TEXT NOT NULL UNIQUE CHECK (length(name) > 0),
  recorded_utc TEXT NOT NULL,
  instrument TEXT NOT NULL
) STRICT;
CREATE TABLE photo (
  id INTEGER PRIMARY KEY,
  visit_id INTEGER NOT NULL REFERENCES visit (id) ON DELETE CASCADE,
  file TEXT NOT NULL,
  sha256 BLOB CHECK (sha256 IS NULL OR length(sha256) = 32),
  used INTEGER NOT NULL CHECK (used IN (0, 1)),
  tags INTEGER NOT NULL,
  rms_px REAL,
  damper TEXT NOT NULL CHECK (damper IN ('harp-raised', 'key-held', 'resting', 'unknown')),
  warnings TEXT NOT NULL
) STRICT;
CREATE INDEX photo_of_visit ON photo (visit_id);
CREATE TABLE note (
  id INTEGER PRIMARY KEY,
  visit_id INTEGER NOT NULL REFERENCES visit (id) ON DELETE CASCADE,
  midi INTEGER NOT NULL CHECK (midi BETWEEN 0 AND 127),
  photos INTEGER NOT NULL,
  correction_deg REAL,
  reason TEXT NOT NULL,
  advice TEXT NOT NULL,
  UNIQUE (visit_id, midi)
) STRICT;
CREATE TABLE measurement (
  note_id INTEGER NOT NULL REFERENCES note (id) ON DELETE CASCADE,
  quantity TEXT NOT NULL CHECK (quantity IN ('lateral_mm', 'height_mm', 'gap_mm', 'yaw_deg',
                                             'pitch_deg', 'tone_bar_yaw_deg')),
  value REAL,
  expanded_u REAL CHECK (expanded_u >= 0),
  verdict TEXT,
  CHECK ((value IS NULL) = (expanded_u IS NULL)),
  PRIMARY KEY (note_id, quantity)
) STRICT, WITHOUT ROWID;
)sql";

// The tables of version 1 step aside, those of version 2 take their rows. (Renaming the new ones
// instead would leave SQLite's own spelling of the schema behind, which is compared to the letter.)
constexpr const char* kVersion2 = R"sql(
DROP INDEX photo_of_visit;
ALTER TABLE visit RENAME TO visit_1;
ALTER TABLE photo RENAME TO photo_1;
ALTER TABLE note RENAME TO note_1;
ALTER TABLE measurement RENAME TO measurement_1;

CREATE TABLE instrument (
  id INTEGER PRIMARY KEY CHECK (id = 1),
  type TEXT NOT NULL,
  compass TEXT NOT NULL,
  serial TEXT NOT NULL,
  owner TEXT NOT NULL
) STRICT;
CREATE TABLE profile (
  id INTEGER PRIMARY KEY,
  sha256 BLOB NOT NULL UNIQUE CHECK (length(sha256) = 32),
  json TEXT NOT NULL
) STRICT;
CREATE TABLE visit (
  id INTEGER PRIMARY KEY,
  name TEXT NOT NULL UNIQUE CHECK (length(name) > 0),
  date TEXT NOT NULL CHECK (date GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]'),
  technician TEXT NOT NULL,
  recorded_utc TEXT NOT NULL,
  instrument TEXT NOT NULL,
  profile_id INTEGER REFERENCES profile (id)
) STRICT;
CREATE TABLE photo_set (
  id INTEGER PRIMARY KEY,
  visit_id INTEGER NOT NULL REFERENCES visit (id) ON DELETE CASCADE,
  damper TEXT NOT NULL CHECK (damper IN ('harp-raised', 'key-held', 'resting', 'unknown')),
  recorded_utc TEXT NOT NULL,
  UNIQUE (visit_id, damper)
) STRICT;
CREATE TABLE photo (
  id INTEGER PRIMARY KEY,
  set_id INTEGER NOT NULL REFERENCES photo_set (id) ON DELETE CASCADE,
  file TEXT NOT NULL,
  sha256 BLOB CHECK (sha256 IS NULL OR length(sha256) = 32),
  used INTEGER NOT NULL CHECK (used IN (0, 1)),
  tags INTEGER NOT NULL,
  rms_px REAL,
  damper TEXT NOT NULL CHECK (damper IN ('harp-raised', 'key-held', 'resting', 'unknown')),
  notes TEXT NOT NULL,
  warnings TEXT NOT NULL,
  camera TEXT,
  camera_from_harp TEXT,
  exif_make TEXT NOT NULL,
  exif_model TEXT NOT NULL,
  exif_lens TEXT NOT NULL,
  exif_taken TEXT NOT NULL,
  exif_focal_length_mm REAL,
  exif_focal_length_35mm REAL,
  exif_digital_zoom REAL,
  exif_orientation INTEGER NOT NULL CHECK (exif_orientation BETWEEN 1 AND 8),
  CHECK ((camera IS NULL) = (camera_from_harp IS NULL))
) STRICT;
CREATE INDEX photo_of_set ON photo (set_id);
CREATE TABLE photo_picture (
  photo_id INTEGER PRIMARY KEY REFERENCES photo (id) ON DELETE CASCADE,
  bytes BLOB NOT NULL
) STRICT;
CREATE TABLE note (
  id INTEGER PRIMARY KEY,
  set_id INTEGER NOT NULL REFERENCES photo_set (id) ON DELETE CASCADE,
  midi INTEGER NOT NULL CHECK (midi BETWEEN 0 AND 127),
  photos INTEGER NOT NULL,
  correction_deg REAL,
  reason TEXT NOT NULL,
  advice TEXT NOT NULL,
  root_x_mm REAL, root_y_mm REAL, root_z_mm REAL,
  tip_x_mm REAL, tip_y_mm REAL, tip_z_mm REAL,
  pickup_x_mm REAL, pickup_y_mm REAL, pickup_z_mm REAL,
  tine_diameter_mm REAL,
  pole_tip_diameter_mm REAL,
  covariance TEXT,
  UNIQUE (set_id, midi)
) STRICT;
CREATE TABLE measurement (
  note_id INTEGER NOT NULL REFERENCES note (id) ON DELETE CASCADE,
  quantity TEXT NOT NULL CHECK (quantity IN ('lateral_mm', 'height_mm', 'gap_mm', 'yaw_deg',
                                             'pitch_deg', 'tone_bar_yaw_deg')),
  value REAL,
  expanded_u REAL CHECK (expanded_u >= 0),
  verdict TEXT,
  CHECK ((value IS NULL) = (expanded_u IS NULL)),
  PRIMARY KEY (note_id, quantity)
) STRICT, WITHOUT ROWID;
CREATE TABLE suspicion (
  id INTEGER PRIMARY KEY,
  note_id INTEGER NOT NULL REFERENCES note (id) ON DELETE CASCADE,
  kind TEXT NOT NULL CHECK (kind IN ('tone bar low', 'crooked in block', 'tone bar skewed',
                                     'pickup out of line')),
  text TEXT NOT NULL
) STRICT;
CREATE INDEX suspicion_of_note ON suspicion (note_id);

CREATE TABLE finding (
  id INTEGER PRIMARY KEY,
  midi INTEGER NOT NULL CHECK (midi BETWEEN 0 AND 127),
  part TEXT NOT NULL CHECK (part IN ('grommet', 'spring', 'tine seat', 'hammer tip', 'screw',
                                     'in place of grommet', 'remark')),
  state TEXT NOT NULL,
  doubled INTEGER NOT NULL CHECK (doubled IN (0, 1)),
  place TEXT NOT NULL CHECK (place IN ('', 'forward', 'rear')),
  stage TEXT NOT NULL CHECK (stage IN ('before', 'after')),
  text TEXT NOT NULL,
  technician TEXT NOT NULL,
  date TEXT NOT NULL CHECK (date GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]'),
  recorded_utc TEXT NOT NULL,
  withdrawn_utc TEXT
) STRICT;
CREATE TABLE work_done (
  id INTEGER PRIMARY KEY,
  midi INTEGER CHECK (midi BETWEEN 0 AND 127),
  text TEXT NOT NULL CHECK (length(text) > 0),
  technician TEXT NOT NULL,
  date TEXT NOT NULL CHECK (date GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]'),
  recorded_utc TEXT NOT NULL,
  withdrawn_utc TEXT
) STRICT;
CREATE TABLE work_tick (
  id INTEGER PRIMARY KEY,
  visit_id INTEGER NOT NULL REFERENCES visit (id) ON DELETE CASCADE,
  midi INTEGER NOT NULL CHECK (midi BETWEEN 0 AND 127),
  task TEXT NOT NULL CHECK (task IN ('slide-pickup', 'square-bar', 'turn-tine', 'turn-either',
                                     'both-screws', 'forward-screw', 'gap')),
  done INTEGER NOT NULL CHECK (done IN (0, 1)),
  technician TEXT NOT NULL,
  date TEXT NOT NULL CHECK (date GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]'),
  recorded_utc TEXT NOT NULL,
  withdrawn_utc TEXT
) STRICT;
CREATE TABLE review (
  id INTEGER PRIMARY KEY,
  visit_id INTEGER NOT NULL REFERENCES visit (id) ON DELETE CASCADE,
  midi INTEGER NOT NULL CHECK (midi BETWEEN 0 AND 127),
  state TEXT NOT NULL CHECK (state IN ('none', 'accepted', 'rejected', 'needs photo')),
  text TEXT NOT NULL,
  technician TEXT NOT NULL,
  date TEXT NOT NULL CHECK (date GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]'),
  recorded_utc TEXT NOT NULL,
  withdrawn_utc TEXT
) STRICT;
CREATE TABLE correction (
  id INTEGER PRIMARY KEY,
  photo_id INTEGER NOT NULL REFERENCES photo (id) ON DELETE CASCADE,
  midi INTEGER NOT NULL CHECK (midi BETWEEN 0 AND 127),
  payload TEXT NOT NULL,
  technician TEXT NOT NULL,
  date TEXT NOT NULL CHECK (date GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]'),
  recorded_utc TEXT NOT NULL,
  withdrawn_utc TEXT
) STRICT;
CREATE TABLE attachment (
  id INTEGER PRIMARY KEY,
  visit_id INTEGER REFERENCES visit (id) ON DELETE SET NULL,
  midi INTEGER CHECK (midi BETWEEN 0 AND 127),
  name TEXT NOT NULL CHECK (length(name) > 0),
  media_type TEXT NOT NULL,
  caption TEXT NOT NULL,
  sha256 BLOB NOT NULL CHECK (length(sha256) = 32),
  technician TEXT NOT NULL,
  date TEXT NOT NULL CHECK (date GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]'),
  recorded_utc TEXT NOT NULL,
  withdrawn_utc TEXT,
  bytes BLOB NOT NULL
) STRICT;

INSERT INTO instrument VALUES (1, '', '', '', '');
INSERT INTO visit (id, name, date, technician, recorded_utc, instrument)
  SELECT id, name, substr(recorded_utc, 1, 10), '', recorded_utc, instrument FROM visit_1;
INSERT INTO photo_set (id, visit_id, damper, recorded_utc)
  SELECT id, id,
         coalesce((SELECT damper FROM photo_1 WHERE visit_id = visit_1.id
                   ORDER BY used DESC, id LIMIT 1), 'unknown'),
         recorded_utc
  FROM visit_1;
INSERT INTO photo (id, set_id, file, sha256, used, tags, rms_px, damper, notes, warnings,
                   exif_make, exif_model, exif_lens, exif_taken, exif_orientation)
  SELECT id, visit_id, file, sha256, used, tags, rms_px, damper, '[]', warnings, '', '', '', '', 1
  FROM photo_1;
INSERT INTO note (id, set_id, midi, photos, correction_deg, reason, advice)
  SELECT id, visit_id, midi, photos, correction_deg, reason, advice FROM note_1;
INSERT INTO measurement SELECT * FROM measurement_1;
DROP TABLE measurement_1;
DROP TABLE note_1;
DROP TABLE photo_1;
DROP TABLE visit_1;
)sql";

// A photo taken while the work goes on is a visit of its own that follows another one: its photos
// show another state of the harp and were solved alone.
constexpr const char* kVersion3 = R"sql(
ALTER TABLE visit ADD COLUMN follows INTEGER REFERENCES visit (id) ON DELETE CASCADE;
)sql";

// Step n of this list takes a record from schema version n to n + 1. A step that was published is
// never changed: a new version is a new step at the end.
constexpr std::array<const char*, kRecordSchemaVersion> kMigrations{kVersion1, kVersion2,
                                                                    kVersion3};

std::string Remedy() { return "; name another file"; }

// Hands SQLite only what says in its first bytes that it is one of our files: opening a database
// of another program could already roll back that program's journal.
Result<void> CheckHeader(const fs::path& file) {
  std::ifstream in(file, std::ios::binary);
  std::array<char, 100> header{};
  if (!in.read(header.data(), header.size()) ||
      std::string_view(header.data(), 16) != std::string_view("SQLite format 3\0", 16)) {
    return Fail(file.string() + ": is no service record" + Remedy());
  }
  std::uint32_t application_id = 0;
  for (std::size_t i = 68; i < 72; ++i) {
    application_id = (application_id << 8U) | static_cast<unsigned char>(header[i]);
  }
  if (application_id != static_cast<std::uint32_t>(kRecordApplicationId)) {
    return Fail(file.string() + ": is a database of another program" + Remedy());
  }
  // The versions of the file format for writing and reading: 2 is a write-ahead log, whose side
  // file holds what is newest and is easily lost.
  if (header[18] != 1 || header[19] != 1) {
    return Fail(file.string() +
                ": was switched to a write-ahead log by another program; switch it back with "
                "sqlite3 FILE \"PRAGMA journal_mode = DELETE\"");
  }
  return {};
}

Result<void> Migrate(const Database& database, std::int64_t from_version) {
  if (from_version == kRecordSchemaVersion) return {};
  for (std::int64_t version = from_version; version < kRecordSchemaVersion; ++version) {
    if (auto done = database.Execute(kMigrations[static_cast<std::size_t>(version)]); !done) {
      return done;
    }
  }
  return database.Execute("PRAGMA user_version = " + std::to_string(kRecordSchemaVersion));
}

// Every table, index, view and trigger with its SQL, in one text that can be compared.
Result<std::string> SchemaText(const Database& database) {
  auto query = database.Prepare(
      "SELECT type || ' ' || name || ' ' || coalesce(sql, '') FROM sqlite_schema ORDER BY 1");
  if (!query) return tl::unexpected(query.error());
  std::string schema;
  while (true) {
    const Result<bool> row = query->Step();
    if (!row) return tl::unexpected(row.error());
    if (!*row) return schema;
    schema += query->Text(0) + '\n';
  }
}

Result<std::string> SchemaOfVersion(std::int64_t version) {
  auto blank = Database::InMemory();
  if (!blank) return tl::unexpected(blank.error());
  for (std::int64_t step = 0; step < version; ++step) {
    if (auto done = blank->Execute(kMigrations[static_cast<std::size_t>(step)]); !done) {
      return tl::unexpected(done.error());
    }
  }
  return SchemaText(*blank);
}

tl::unexpected<Error> Damaged(const Database& database) {
  return Fail(database.Where() + ": the service record is damaged; go back to a copy");
}

Result<void> QuickCheck(const Database& database) {
  auto check = database.Prepare("PRAGMA quick_check(1)");
  if (!check) return tl::unexpected(check.error());
  const Result<bool> row = check->Step();
  if (!row) return tl::unexpected(row.error());
  if (!*row || check->Text(0) != "ok") return Damaged(database);
  return {};
}

// quick_check is content with rows that belong to nothing: a visit that was deleted by a program
// that minds no foreign keys leaves its photos and figures behind.
Result<void> CheckReferences(const Database& database) {
  auto check = database.Prepare("PRAGMA foreign_key_check");
  if (!check) return tl::unexpected(check.error());
  const Result<bool> row = check->Step();
  if (!row) return tl::unexpected(row.error());
  if (*row) return Damaged(database);
  return {};
}

Result<std::int64_t> CheckedVersion(const Database& database) {
  Result<std::int64_t> version = database.QueryInteger("PRAGMA user_version");
  if (!version) return version;
  if (*version > kRecordSchemaVersion) {
    return Fail(database.Where() + ": was written by a newer Tinesight; update this one");
  }
  if (auto sound = QuickCheck(database); !sound) return tl::unexpected(sound.error());
  const Result<std::string> schema = SchemaText(database);
  if (!schema) return tl::unexpected(schema.error());
  const Result<std::string> expected = SchemaOfVersion(*version);
  if (!expected) return tl::unexpected(expected.error());
  if (*version < 1 || *schema != *expected) {
    return Fail(database.Where() + ": its tables are not those of a service record" + Remedy());
  }
  if (auto whole = CheckReferences(database); !whole) return tl::unexpected(whole.error());
  return version;
}

fs::path JournalOf(const fs::path& file) {
  fs::path journal = file;
  journal += "-journal";
  return journal;
}

// A copy of the record and its journal in a new folder, or an empty path.
fs::path CopyWithJournal(const fs::path& file) {
  std::error_code code;
  std::string folder = (fs::temp_directory_path(code) / "tinesight-record-XXXXXX").string();
  if (code || ::mkdtemp(folder.data()) == nullptr) return {};
  const fs::path copy = fs::path(folder) / "record.tinerec";
  fs::copy_file(file, copy, code);
  if (!code) fs::copy_file(JournalOf(file), JournalOf(copy), code);
  if (!code) return folder;
  fs::remove_all(folder, code);
  return {};
}

}  // namespace

void RecordSnapshot::RemoveFolder::operator()(const fs::path* folder) const {
  std::error_code ignored;
  fs::remove_all(*folder, ignored);
  delete folder;
}

Result<RecordSnapshot> RecordSnapshot::Open(const fs::path& file) {
  const Result<bool> exists = RecordExists(file);
  if (!exists) return tl::unexpected(exists.error());
  if (!*exists) return Fail(file.string() + ": there is no such service record; check the name");
  if (auto header = CheckHeader(file); !header) return tl::unexpected(header.error());

  RecordSnapshot snapshot;
  auto database = Database::Open(file, Database::Mode::kReadOnly);
  if (database && database->NeedsRollback()) {
    const fs::path folder = CopyWithJournal(file);
    if (folder.empty()) {
      return Fail(
          file.string() +
          ": an interrupted change must be undone first, and there is no room for a copy in "
          "the folder for temporary files");
    }
    snapshot.copy_folder_.reset(new fs::path(folder));
    database = Database::Open(folder / "record.tinerec", Database::Mode::kReadWrite);
    if (database) database->NameInMessages(file.string());
  }
  if (!database) return tl::unexpected(database.error());
  auto begun = database->Execute("BEGIN");  // holds one state from the first read on
  if (!begun) return tl::unexpected(begun.error());
  const Result<std::int64_t> version = CheckedVersion(*database);
  if (!version) return tl::unexpected(version.error());
  if (*version < kRecordSchemaVersion) {
    const Result<std::string> bytes = database->Serialize();
    if (!bytes) return tl::unexpected(bytes.error());
    database = Database::FromBytes(*bytes, file.string());
    if (!database) return tl::unexpected(database.error());
    if (auto done = Migrate(*database, *version); !done) return tl::unexpected(done.error());
  }
  snapshot.database_ = std::make_unique<Database>(std::move(*database));
  return snapshot;
}

Result<RecordChange> RecordChange::Begin(const fs::path& file) {
  // Looked at as a snapshot, which never writes, before it is opened for writing.
  if (const auto sound = RecordSnapshot::Open(file); !sound) return tl::unexpected(sound.error());
  auto database = Database::Open(file, Database::Mode::kReadWrite);
  if (!database) return tl::unexpected(database.error());
  auto begun = database->Execute("BEGIN IMMEDIATE");
  if (!begun) return tl::unexpected(begun.error());
  RecordChange change;
  change.database_ = std::make_unique<Database>(std::move(*database));
  // Checked again inside: another program may have written since.
  const Result<std::int64_t> version = CheckedVersion(change.Get());
  if (!version) return tl::unexpected(version.error());
  if (auto done = Migrate(change.Get(), *version); !done) return tl::unexpected(done.error());
  return change;
}

RecordChange::~RecordChange() {
  if (database_) (void)database_->Execute("ROLLBACK");
}

Result<void> RecordChange::Commit() {
  if (auto done = database_->Execute("COMMIT"); !done) return done;
  database_.reset();
  return {};
}

Result<bool> RecordExists(const fs::path& file) {
  std::error_code code;
  const auto status = fs::status(file, code);
  if (status.type() == fs::file_type::not_found) return false;
  if (status.type() != fs::file_type::regular) {
    return Fail(file.string() + ": is no service record" + Remedy());
  }
  return true;
}

Result<Database> NewRecord() {
  auto database = Database::InMemory();
  if (!database) return database;
  auto done = database->Execute("PRAGMA application_id = " + std::to_string(kRecordApplicationId));
  if (done) done = Migrate(*database, 0);
  if (!done) return tl::unexpected(done.error());
  return database;
}

}  // namespace tinesight
