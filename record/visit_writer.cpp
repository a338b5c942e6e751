// Adding a visit to a service record.
#include <array>
#include <cmath>
#include <optional>
#include <string_view>

#include "alignment/note_name.hpp"
#include "alignment/verdict.hpp"
#include "calibration/file_io.hpp"
#include "record/record_json.hpp"
#include "record/record_schema.hpp"
#include "record/record_words.hpp"
#include "record/result_json.hpp"
#include "record/service_record.hpp"
#include "record/sha256.hpp"

namespace tinesight {
namespace {

// What is kept of a photo's file. One that can't be read was refused as such; it stays in the
// record without a digest.
struct PhotoFile {
  std::optional<Sha256Digest> sha256;
  std::string bytes;  // only where the picture is embedded
};

std::vector<PhotoFile> ReadPhotoFiles(const VisitEntry& visit) {
  std::vector<PhotoFile> files(visit.measurement.photos.size());
  for (std::size_t i = 0; i < files.size() && i < visit.photos.size(); ++i) {
    Result<std::string> bytes = ReadFileBytes(visit.photos[i]);
    if (!bytes) continue;
    files[i].sha256 = Sha256(*bytes);
    if (visit.embed_photos) files[i].bytes = std::move(*bytes);
  }
  return files;
}

std::optional<double> Finite(double value) {
  return std::isfinite(value) ? std::optional(value) : std::nullopt;
}

// Warnings are kept one a line.
std::string Lines(const std::vector<std::string>& texts) {
  std::string lines;
  for (std::string text : texts) {
    for (char& c : text) c = c == '\n' ? ' ' : c;
    lines += text + '\n';
  }
  return lines;
}

/// The visit of that name as it stands: its id and what its sets and profile are.
struct StoredVisit {
  std::int64_t id = 0;
  std::optional<std::int64_t> profile_id;
};

Result<std::optional<StoredVisit>> FindStored(const Database& database, const std::string& name) {
  auto query =
      database.Prepare("SELECT id, profile_id FROM visit WHERE name = ? AND follows IS NULL");
  if (!query) return tl::unexpected(query.error());
  query->Bind(name);
  const Result<bool> row = query->Step();
  if (!row) return tl::unexpected(row.error());
  if (!*row) return std::nullopt;
  return StoredVisit{query->Integer(0), query->OptionalInteger(1)};
}

/// Whether the record can take these photos: a visit of the name must not have any in that state.
Result<void> CheckNewSet(const Database& database, const std::string& name, DamperState damper) {
  auto query = database.Prepare(
      "SELECT count(*) FROM visit JOIN photo_set ON visit_id = visit.id"
      " WHERE name = ? AND damper = ?");
  if (!query) return tl::unexpected(query.error());
  query->Bind(name).Bind(DamperWord(damper));
  const Result<bool> row = query->Step();
  if (!row) return tl::unexpected(row.error());
  if (query->Integer(0) == 0) return {};
  return Fail(database.Where() + ": already has a visit named \"" + name +
              "\" with photos in the damper state " + DamperWord(damper) +
              "; choose another name after --visit, or say with --damper if it was another state");
}

Result<std::int64_t> ProfileId(const Database& database, const VisitEntry& visit) {
  const Sha256Digest digest = Sha256(visit.profile_json);
  auto insert = database.Prepare("INSERT OR IGNORE INTO profile (sha256, json) VALUES (?, ?)");
  if (!insert) return tl::unexpected(insert.error());
  insert->BindBlob(digest).Bind(visit.profile_json);
  if (auto done = insert->Run(); !done) return tl::unexpected(done.error());
  auto query = database.Prepare("SELECT id FROM profile WHERE sha256 = ?");
  if (!query) return tl::unexpected(query.error());
  query->BindBlob(digest);
  const Result<bool> row = query->Step();
  if (!row) return tl::unexpected(row.error());
  return query->Integer(0);
}

Result<std::int64_t> InsertVisitRow(const Database& database, const VisitEntry& visit,
                                    std::optional<std::int64_t> profile_id) {
  auto insert = database.Prepare(
      "INSERT INTO visit (name, date, technician, recorded_utc, instrument, profile_id)"
      " VALUES (?, coalesce(nullif(?, ''), date('now', 'localtime')), ?,"
      " strftime('%Y-%m-%dT%H:%M:%SZ', 'now'), ?, ?)");
  if (!insert) return tl::unexpected(insert.error());
  insert->Bind(visit.name).Bind(visit.date).Bind(visit.technician).Bind(visit.profile.name);
  insert->Bind(profile_id);
  if (auto done = insert->Run(); !done) return tl::unexpected(done.error());
  return database.LastRowId();
}

/// The row of a follow-up: named after the visit with the next free number.
Result<std::int64_t> InsertFollowUpRow(const Database& database, std::int64_t visit_id) {
  auto insert = database.Prepare(
      "WITH RECURSIVE number(n) AS (SELECT 1 + count(*) FROM visit WHERE follows = ?1"
      " UNION ALL SELECT n + 1 FROM number"
      "  WHERE EXISTS (SELECT 1 FROM visit, visit AS base WHERE base.id = ?1"
      "                AND visit.name = base.name || ' / ' || n))"
      " INSERT INTO visit (name, date, technician, recorded_utc, instrument, profile_id, follows)"
      " SELECT name || ' / ' || (SELECT max(n) FROM number), date('now', 'localtime'), technician,"
      " strftime('%Y-%m-%dT%H:%M:%SZ', 'now'), instrument, profile_id, id FROM visit WHERE id = "
      "?1");
  if (!insert) return tl::unexpected(insert.error());
  insert->Bind(visit_id);
  if (auto done = insert->Run(); !done) return tl::unexpected(done.error());
  return database.LastRowId();
}

/// The visit's row: a new one, or the one of an earlier call with another damper state.
Result<std::int64_t> VisitRow(const Database& database, const VisitEntry& visit) {
  std::optional<std::int64_t> profile_id;
  if (!visit.profile_json.empty()) {
    Result<std::int64_t> id = ProfileId(database, visit);
    if (!id) return id;
    profile_id = *id;
  }
  const auto stored = FindStored(database, visit.name);
  if (!stored) return tl::unexpected(stored.error());
  if (!*stored) return InsertVisitRow(database, visit, profile_id);
  if ((*stored)->profile_id && (*stored)->profile_id != profile_id) {
    return Fail(database.Where() + ": the visit \"" + visit.name +
                "\" was judged by another instrument profile; use that one, or another name");
  }
  auto update = database.Prepare("UPDATE visit SET profile_id = ? WHERE id = ?");
  if (!update) return tl::unexpected(update.error());
  update->Bind(profile_id).Bind((*stored)->id);
  if (auto done = update->Run(); !done) return tl::unexpected(done.error());
  return (*stored)->id;
}

Result<std::int64_t> InsertSet(const Database& database, std::int64_t visit_id,
                               DamperState damper) {
  auto insert = database.Prepare(
      "INSERT INTO photo_set (visit_id, damper, recorded_utc)"
      " VALUES (?, ?, strftime('%Y-%m-%dT%H:%M:%SZ', 'now'))");
  if (!insert) return tl::unexpected(insert.error());
  insert->Bind(visit_id).Bind(DamperWord(damper));
  if (auto done = insert->Run(); !done) return tl::unexpected(done.error());
  return database.LastRowId();
}

Result<void> InsertPhoto(Statement& insert, std::int64_t set_id, const PhotoMeasurement& photo,
                         const std::optional<Sha256Digest>& digest) {
  insert.Bind(set_id).Bind(photo.file);
  if (digest) {
    insert.BindBlob(*digest);
  } else {
    insert.BindNull();
  }
  insert.Bind(photo.used ? 1 : 0).Bind(photo.tags).Bind(Finite(photo.rms_px));
  insert.Bind(DamperWord(photo.damper)).Bind(IntegersColumn(photo.notes));
  insert.Bind(Lines(photo.warnings));
  const std::optional<std::string> camera = CameraColumn(photo.camera);
  const std::optional<std::string> pose = PoseColumn(photo.camera_from_harp);
  const bool placed = photo.used && camera && pose;
  insert.Bind(placed ? camera : std::nullopt).Bind(placed ? pose : std::nullopt);
  const ExifSummary& exif = photo.exif;
  insert.Bind(exif.make).Bind(exif.model).Bind(exif.lens).Bind(exif.date_time);
  insert.Bind(exif.focal_length_mm).Bind(exif.focal_length_35mm).Bind(exif.digital_zoom);
  insert.Bind(exif.orientation);
  return insert.Run();
}

Result<void> InsertPhotos(const Database& database, std::int64_t set_id,
                          const VisitMeasurement& measurement,
                          const std::vector<PhotoFile>& files) {
  auto insert = database.Prepare(
      "INSERT INTO photo (set_id, file, sha256, used, tags, rms_px, damper, notes, warnings,"
      " camera, camera_from_harp, exif_make, exif_model, exif_lens, exif_taken,"
      " exif_focal_length_mm, exif_focal_length_35mm, exif_digital_zoom, exif_orientation)"
      " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)");
  if (!insert) return tl::unexpected(insert.error());
  auto embed = database.Prepare("INSERT INTO photo_picture VALUES (?, ?)");
  if (!embed) return tl::unexpected(embed.error());
  for (std::size_t i = 0; i < measurement.photos.size(); ++i) {
    auto done = InsertPhoto(*insert, set_id, measurement.photos[i], files[i].sha256);
    if (done && !files[i].bytes.empty()) {
      embed->Bind(database.LastRowId()).BindBlob(BytesOf(files[i].bytes));
      done = embed->Run();
    }
    if (!done) return done;
  }
  return {};
}

Result<void> InsertFigures(Statement& insert, std::int64_t note_id, const NoteMeasurement& note) {
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
    const bool stated = row.measured && std::isfinite(row.measured->value) &&
                        std::isfinite(row.measured->expanded_u);
    insert.Bind(note_id).Bind(row.quantity);
    insert.Bind(stated ? std::optional(row.measured->value) : std::nullopt);
    insert.Bind(stated ? std::optional(row.measured->expanded_u) : std::nullopt);
    insert.Bind(row.verdict);
    if (auto done = insert.Run(); !done) return done;
  }
  return {};
}

Result<void> InsertNote(Statement& insert, std::int64_t set_id, const NoteMeasurement& note) {
  insert.Bind(set_id).Bind(note.midi).Bind(note.photos).Bind(note.correction_deg);
  insert.Bind(note.reason).Bind(note.advice);
  const bool placed = note.lateral_mm.has_value();
  for (const Eigen::Vector3d* place :
       {&note.root_harp_mm, &note.tip_harp_mm, &note.pickup_harp_mm}) {
    for (int axis = 0; axis < 3; ++axis) {
      insert.Bind(placed ? Finite((*place)[axis]) : std::nullopt);
    }
  }
  insert.Bind(placed ? Finite(note.tine_diameter_mm) : std::nullopt);
  insert.Bind(placed ? Finite(note.pole_tip_diameter_mm) : std::nullopt);
  insert.Bind(note.covariance ? CovarianceColumn(*note.covariance) : std::nullopt);
  return insert.Run();
}

Result<void> InsertNotes(const Database& database, std::int64_t set_id,
                         const VisitMeasurement& measurement) {
  auto insert_note = database.Prepare(
      "INSERT INTO note (set_id, midi, photos, correction_deg, reason, advice,"
      " root_x_mm, root_y_mm, root_z_mm, tip_x_mm, tip_y_mm, tip_z_mm,"
      " pickup_x_mm, pickup_y_mm, pickup_z_mm, tine_diameter_mm, pole_tip_diameter_mm, covariance)"
      " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)");
  if (!insert_note) return tl::unexpected(insert_note.error());
  auto insert_figure = database.Prepare("INSERT INTO measurement VALUES (?, ?, ?, ?, ?)");
  if (!insert_figure) return tl::unexpected(insert_figure.error());
  auto insert_suspicion =
      database.Prepare("INSERT INTO suspicion (note_id, kind, text) VALUES (?, ?, ?)");
  if (!insert_suspicion) return tl::unexpected(insert_suspicion.error());
  for (const NoteMeasurement& note : measurement.notes) {
    auto done = InsertNote(*insert_note, set_id, note);
    if (!done) return done;
    const std::int64_t note_id = database.LastRowId();
    done = InsertFigures(*insert_figure, note_id, note);
    for (const Suspicion& suspicion : note.suspicions) {
      if (!done) return done;
      insert_suspicion->Bind(note_id).Bind(WordOf(kSuspicionWords, suspicion.kind));
      insert_suspicion->Bind(suspicion.text);
      done = insert_suspicion->Run();
    }
    if (!done) return done;
  }
  return {};
}

// Where nobody said which compass the instrument has, the profile does.
Result<void> FillCompass(const Database& database, const InstrumentProfile& profile) {
  if (profile.notes.empty()) return {};
  auto update = database.Prepare("UPDATE instrument SET compass = ? WHERE compass = ''");
  if (!update) return tl::unexpected(update.error());
  update->Bind(NoteName(profile.FirstMidi()) + " to " + NoteName(profile.LastMidi()) + ", " +
               std::to_string(profile.notes.size()) + " notes");
  return update->Run();
}

Result<std::int64_t> InsertVisit(const Database& database, const VisitEntry& visit,
                                 const std::vector<PhotoFile>& files) {
  if (auto fits = CheckNewSet(database, visit.name, visit.damper); !fits) {
    return tl::unexpected(fits.error());
  }
  Result<std::int64_t> visit_id = VisitRow(database, visit);
  if (!visit_id) return visit_id;
  Result<std::int64_t> set_id = InsertSet(database, *visit_id, visit.damper);
  if (!set_id) return set_id;
  auto done = InsertPhotos(database, *set_id, visit.measurement, files);
  if (done) done = InsertNotes(database, *set_id, visit.measurement);
  if (done) done = FillCompass(database, visit.profile);
  if (!done) return tl::unexpected(done.error());
  return visit_id;
}

// Built in memory and written as a file at once: no empty or half-made record can be left. Nothing:
// another program made the record in the meantime.
Result<std::optional<std::int64_t>> CreateWithVisit(const std::filesystem::path& file,
                                                    const VisitEntry& visit,
                                                    const std::vector<PhotoFile>& files) {
  const auto database = NewRecord();
  if (!database) return tl::unexpected(database.error());
  Result<std::int64_t> id = InsertVisit(*database, visit, files);
  if (!id) return tl::unexpected(id.error());
  const Result<std::string> bytes = database->Serialize();
  if (!bytes) return tl::unexpected(bytes.error());
  const Result<bool> placed = WriteNewFileAtomically(file, *bytes);
  if (!placed) return tl::unexpected(placed.error());
  return *placed ? std::optional(*id) : std::nullopt;
}

Result<void> CheckEntry(const VisitEntry& visit) {
  if (visit.name.empty()) return Fail("the visit needs a name; give one after --visit");
  if (visit.date.empty() || IsDay(visit.date)) return {};
  return Fail("the date " + visit.date + " is no day; write it like 2024-05-02");
}

}  // namespace

Result<void> CheckVisitRecord(const std::filesystem::path& file, const std::string& visit_name,
                              DamperState damper) {
  const Result<bool> exists = RecordExists(file);
  if (!exists) return tl::unexpected(exists.error());
  if (!*exists) return {};
  const auto snapshot = RecordSnapshot::Open(file);
  if (!snapshot) return tl::unexpected(snapshot.error());
  return CheckNewSet(snapshot->Get(), visit_name, damper);
}

Result<std::int64_t> AddVisit(const std::filesystem::path& file, const VisitEntry& visit) {
  if (auto sound = CheckEntry(visit); !sound) return tl::unexpected(sound.error());
  const Result<bool> exists = RecordExists(file);
  if (!exists) return tl::unexpected(exists.error());
  // Before the transaction: it takes long.
  const std::vector<PhotoFile> files = ReadPhotoFiles(visit);
  if (!*exists) {
    const auto created = CreateWithVisit(file, visit, files);
    if (!created) return tl::unexpected(created.error());
    if (*created) return **created;
  }
  auto change = RecordChange::Begin(file);
  if (!change) return tl::unexpected(change.error());
  Result<std::int64_t> id = InsertVisit(change->Get(), visit, files);
  if (!id) return id;
  if (auto done = change->Commit(); !done) return tl::unexpected(done.error());
  return id;
}

Result<std::int64_t> AddFollowUp(const std::filesystem::path& file, const VisitEntry& visit) {
  const std::vector<PhotoFile> files = ReadPhotoFiles(visit);
  auto change = RecordChange::Begin(file);
  if (!change) return tl::unexpected(change.error());
  const Database& database = change->Get();
  const auto stored = FindStored(database, visit.name);
  if (!stored) return tl::unexpected(stored.error());
  if (!*stored) return Fail(database.Where() + ": has no visit named \"" + visit.name + '"');
  Result<std::int64_t> row = InsertFollowUpRow(database, (*stored)->id);
  if (!row) return row;
  Result<std::int64_t> set_id = InsertSet(database, *row, visit.damper);
  if (!set_id) return set_id;
  auto done = InsertPhotos(database, *set_id, visit.measurement, files);
  if (done) done = InsertNotes(database, *set_id, visit.measurement);
  if (done) done = change->Commit();
  if (!done) return tl::unexpected(done.error());
  return (*stored)->id;
}

}  // namespace tinesight
