#include "record/visit_record.hpp"

#include <array>
#include <cmath>
#include <fstream>
#include <optional>
#include <string_view>
#include <system_error>

#include "alignment/verdict.hpp"
#include "calibration/file_io.hpp"
#include "record/database.hpp"
#include "record/result_json.hpp"
#include "record/sha256.hpp"

namespace tinesight {
namespace {

// Step n of this list takes a record from schema version n to n + 1. A step that was published is
// never changed: a new version is a new step at the end.
constexpr std::array<const char*, kRecordSchemaVersion> kMigrations{R"sql(
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
)sql"};

constexpr std::string_view kRemedy = "; name another file after --record";

// Hands SQLite only what says in its first bytes that it is one of our files: opening a database
// of another program could already roll back that program's journal.
Result<void> CheckHeader(const std::filesystem::path& file) {
  std::ifstream in(file, std::ios::binary);
  std::array<char, 100> header{};
  if (!in.read(header.data(), header.size()) ||
      std::string_view(header.data(), 16) != std::string_view("SQLite format 3\0", 16)) {
    return Fail(file.string() + ": is no service record" + std::string(kRemedy));
  }
  std::uint32_t application_id = 0;
  for (std::size_t i = 68; i < 72; ++i) {
    application_id = (application_id << 8U) | static_cast<unsigned char>(header[i]);
  }
  if (application_id != static_cast<std::uint32_t>(kRecordApplicationId)) {
    return Fail(file.string() + ": is a database of another program" + std::string(kRemedy));
  }
  return {};
}

Result<void> Migrate(const Database& database, std::int64_t from_version) {
  for (std::int64_t version = from_version; version < kRecordSchemaVersion; ++version) {
    if (auto done = database.Execute(kMigrations[static_cast<std::size_t>(version)]); !done) {
      return done;
    }
  }
  return database.Execute("PRAGMA user_version = " + std::to_string(kRecordSchemaVersion));
}

// Every table, index and trigger with its SQL, in one text that can be compared.
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

Result<std::int64_t> CheckedVersion(const Database& database) {
  const Result<std::int64_t> version = database.QueryInteger("PRAGMA user_version");
  if (!version) return version;
  if (*version > kRecordSchemaVersion) {
    return Fail(database.Where() + ": was written by a newer Tinesight; update this one");
  }
  auto check = database.Prepare("PRAGMA quick_check(1)");
  if (!check) return tl::unexpected(check.error());
  const Result<bool> row = check->Step();
  if (!row || !*row || check->Text(0) != "ok") {
    return Fail(database.Where() + ": the service record is damaged; go back to a copy" +
                std::string(kRemedy));
  }
  const Result<std::string> schema = SchemaText(database);
  if (!schema) return tl::unexpected(schema.error());
  const Result<std::string> expected = SchemaOfVersion(*version);
  if (!expected) return tl::unexpected(expected.error());
  if (*version < 1 || *schema != *expected) {
    return Fail(database.Where() + ": its tables are not those of a service record" +
                std::string(kRemedy));
  }
  return version;
}

Result<void> CheckNewName(const Database& database, const std::string& name) {
  auto query = database.Prepare("SELECT count(*) FROM visit WHERE name = ?");
  if (!query) return tl::unexpected(query.error());
  query->Bind(name);
  const Result<bool> row = query->Step();
  if (!row) return tl::unexpected(row.error());
  if (query->Integer(0) > 0) {
    return Fail(database.Where() + ": already has a visit named \"" + name +
                "\"; choose another name after --visit");
  }
  return {};
}

Result<void> InsertPhoto(Statement& insert, std::int64_t visit_id, const PhotoMeasurement& photo,
                         const std::optional<Sha256Digest>& digest) {
  std::string warnings;
  for (const std::string& warning : photo.warnings) warnings += warning + '\n';
  insert.Bind(visit_id).Bind(photo.file);
  if (digest) {
    insert.BindBlob(*digest);
  } else {
    insert.BindNull();
  }
  insert.Bind(photo.used ? 1 : 0).Bind(photo.tags);
  insert.Bind(photo.used ? std::optional<double>(photo.rms_px) : std::nullopt);
  insert.Bind(DamperWord(photo.damper)).Bind(warnings);
  return insert.Run();
}

Result<void> InsertMeasurements(Statement& insert, std::int64_t note_id,
                                const NoteMeasurement& note) {
  struct Row {
    const char* quantity;
    const std::optional<Measured>& measured;
    std::optional<std::string> verdict;
  };
  const std::array<Row, 6> rows{{
      {"lateral_mm", note.lateral_mm, VerdictWord(note.lateral_verdict, Quantity::kLateral)},
      {"height_mm", note.height_mm, VerdictWord(note.height_verdict, Quantity::kHeight)},
      {"gap_mm", note.gap_mm, VerdictWord(note.gap_verdict, Quantity::kGap)},
      {"yaw_deg", note.yaw_deg, std::nullopt},
      {"pitch_deg", note.pitch_deg, std::nullopt},
      {"tone_bar_yaw_deg", note.tone_bar_yaw_deg, std::nullopt},
  }};
  for (const Row& row : rows) {
    insert.Bind(note_id).Bind(row.quantity);
    const bool stated = row.measured && std::isfinite(row.measured->value) &&
                        std::isfinite(row.measured->expanded_u);
    insert.Bind(stated ? std::optional(row.measured->value) : std::nullopt);
    insert.Bind(stated ? std::optional(row.measured->expanded_u) : std::nullopt);
    if (row.verdict) {
      insert.Bind(*row.verdict);
    } else {
      insert.BindNull();
    }
    if (auto done = insert.Run(); !done) return done;
  }
  return {};
}

Result<void> InsertNotes(const Database& database, std::int64_t visit_id,
                         const VisitMeasurement& measurement) {
  auto insert_note = database.Prepare(
      "INSERT INTO note (visit_id, midi, photos, correction_deg, reason, advice)"
      " VALUES (?, ?, ?, ?, ?, ?)");
  if (!insert_note) return tl::unexpected(insert_note.error());
  auto insert_measurement = database.Prepare("INSERT INTO measurement VALUES (?, ?, ?, ?, ?)");
  if (!insert_measurement) return tl::unexpected(insert_measurement.error());
  for (const NoteMeasurement& note : measurement.notes) {
    insert_note->Bind(visit_id).Bind(note.midi).Bind(note.photos).Bind(note.correction_deg);
    insert_note->Bind(note.reason).Bind(note.advice);
    if (auto done = insert_note->Run(); !done) return done;
    if (auto done = InsertMeasurements(*insert_measurement, database.LastRowId(), note); !done) {
      return done;
    }
  }
  return {};
}

using PhotoDigests = std::vector<std::optional<Sha256Digest>>;

PhotoDigests DigestsOf(const VisitEntry& visit) {
  PhotoDigests digests(visit.measurement.photos.size());
  for (std::size_t i = 0; i < digests.size() && i < visit.photos.size(); ++i) {
    // A photo that cannot be read was refused as such; it stays in the record without a digest.
    if (const auto digest = Sha256OfFile(visit.photos[i])) digests[i] = *digest;
  }
  return digests;
}

Result<void> InsertVisit(const Database& database, const VisitEntry& visit,
                         const PhotoDigests& digests) {
  auto insert_visit = database.Prepare(
      "INSERT INTO visit (name, recorded_utc, instrument)"
      " VALUES (?, strftime('%Y-%m-%dT%H:%M:%SZ', 'now'), ?)");
  if (!insert_visit) return tl::unexpected(insert_visit.error());
  insert_visit->Bind(visit.name).Bind(visit.instrument);
  if (auto done = insert_visit->Run(); !done) return done;
  const std::int64_t visit_id = database.LastRowId();

  auto insert_photo = database.Prepare(
      "INSERT INTO photo (visit_id, file, sha256, used, tags, rms_px, damper, warnings)"
      " VALUES (?, ?, ?, ?, ?, ?, ?, ?)");
  if (!insert_photo) return tl::unexpected(insert_photo.error());
  for (std::size_t i = 0; i < visit.measurement.photos.size(); ++i) {
    auto done = InsertPhoto(*insert_photo, visit_id, visit.measurement.photos[i], digests[i]);
    if (!done) return done;
  }
  return InsertNotes(database, visit_id, visit.measurement);
}

Result<void> CreateRecord(const std::filesystem::path& file, const VisitEntry& visit) {
  // Built in memory and written as a file at once: no empty or half-made record can be left.
  auto database = Database::InMemory();
  if (!database) return tl::unexpected(database.error());
  auto done = database->Execute("PRAGMA application_id = " + std::to_string(kRecordApplicationId));
  if (done) done = Migrate(*database, 0);
  if (done) done = InsertVisit(*database, visit, DigestsOf(visit));
  if (!done) return done;
  const Result<std::string> bytes = database->Serialize();
  if (!bytes) return tl::unexpected(bytes.error());
  return WriteFileAtomically(file, *bytes);
}

Result<bool> RecordExists(const std::filesystem::path& file) {
  std::error_code code;
  const auto status = std::filesystem::status(file, code);
  if (status.type() == std::filesystem::file_type::not_found) return false;
  if (status.type() != std::filesystem::file_type::regular) {
    return Fail(file.string() + ": is no service record" + std::string(kRemedy));
  }
  return true;
}

}  // namespace

Result<void> CheckVisitRecord(const std::filesystem::path& file, const std::string& visit_name) {
  const Result<bool> exists = RecordExists(file);
  if (!exists) return tl::unexpected(exists.error());
  if (!*exists) return {};
  if (auto header = CheckHeader(file); !header) return header;
  auto database = Database::Open(file, Database::Mode::kReadOnly);
  if (!database) return tl::unexpected(database.error());
  const Result<std::int64_t> version = CheckedVersion(*database);
  if (!version) return tl::unexpected(version.error());
  return CheckNewName(*database, visit_name);
}

Result<void> AddVisit(const std::filesystem::path& file, const VisitEntry& visit) {
  const Result<bool> exists = RecordExists(file);
  if (!exists) return tl::unexpected(exists.error());
  if (!*exists) return CreateRecord(file, visit);
  if (auto checked = CheckVisitRecord(file, visit.name); !checked) return checked;

  auto database = Database::Open(file, Database::Mode::kReadWrite);
  if (!database) return tl::unexpected(database.error());
  const PhotoDigests digests = DigestsOf(visit);  // before the transaction: it reads for long
  auto done = database->Execute("PRAGMA journal_mode = DELETE; BEGIN IMMEDIATE");
  if (!done) return done;
  // Checked again inside: another program may have written since.
  const Result<std::int64_t> version = CheckedVersion(*database);
  done = version ? Migrate(*database, *version) : Result<void>(tl::unexpected(version.error()));
  if (done) done = CheckNewName(*database, visit.name);
  if (done) done = InsertVisit(*database, visit, digests);
  if (done) done = database->Execute("COMMIT");
  if (!done) (void)database->Execute("ROLLBACK");
  return done;
}

}  // namespace tinesight
