// Reading a service record into plain structs.
#include <algorithm>
#include <functional>

#include "alignment/note_name.hpp"
#include "record/record_json.hpp"
#include "record/record_schema.hpp"
#include "record/record_words.hpp"
#include "record/result_json.hpp"
#include "record/service_record.hpp"

namespace tinesight {
namespace {

using RowReader = std::function<Result<void>(const Statement&)>;

/// Calls `read` with every row of a query, whose one parameter (if it has one) is `key`.
Result<void> ForEachRow(const RecordSnapshot& snapshot, const char* sql,
                        std::optional<std::int64_t> key, const RowReader& read) {
  auto query = snapshot.Prepare(sql);
  if (!query) return tl::unexpected(query.error());
  if (key) query->Bind(*key);
  while (true) {
    const Result<bool> row = query->Step();
    if (!row) return tl::unexpected(row.error());
    if (!*row) return {};
    if (auto done = read(*query); !done) return done;
  }
}

std::optional<Sha256Digest> DigestOf(const Statement& row, int column) {
  const std::string bytes = row.Blob(column);
  Sha256Digest digest{};
  if (bytes.size() != digest.size()) return std::nullopt;
  std::copy(bytes.begin(), bytes.end(), digest.begin());
  return digest;
}

std::vector<std::string> LinesOf(const std::string& text) {
  std::vector<std::string> lines;
  std::size_t start = 0;
  while (start < text.size()) {
    const std::size_t end = std::min(text.find('\n', start), text.size());
    lines.push_back(text.substr(start, end - start));
    start = end + 1;
  }
  return lines;
}

Result<void> ReadPhotoRow(const Statement& row, PhotoMeasurement& photo) {
  photo.file = row.Text(1);
  photo.used = row.Integer(3) != 0;
  photo.tags = static_cast<int>(row.Integer(4));
  photo.rms_px = row.OptionalReal(5).value_or(0.0);
  photo.damper = DamperFromWord(row.Text(6));
  auto notes = IntegersFromColumn(row.Text(7));
  if (!notes) return tl::unexpected(notes.error());
  photo.notes = std::move(*notes);
  photo.warnings = LinesOf(row.Text(8));
  if (!row.IsNull(9)) {
    const auto camera = CameraFromColumn(row.Text(9));
    if (!camera) return tl::unexpected(camera.error());
    photo.camera = *camera;
    const auto pose = PoseFromColumn(row.Text(10));
    if (!pose) return tl::unexpected(pose.error());
    photo.camera_from_harp = *pose;
  }
  photo.exif = {row.Text(11),         row.Text(12),
                row.Text(13),         row.Text(14),
                row.OptionalReal(15), row.OptionalReal(16),
                row.OptionalReal(17), static_cast<int>(row.Integer(18))};
  return {};
}

Result<void> ReadPhotos(const RecordSnapshot& snapshot, std::size_t set_index, VisitSet& set,
                        std::vector<PhotoRecord>& records) {
  return ForEachRow(
      snapshot,
      "SELECT id, file, sha256, used, tags, rms_px, photo.damper, notes, warnings, camera,"
      " camera_from_harp, exif_make, exif_model, exif_lens, exif_taken, exif_focal_length_mm,"
      " exif_focal_length_35mm, exif_digital_zoom, exif_orientation, coalesce(length(bytes), 0)"
      " FROM photo LEFT JOIN photo_picture ON photo_id = id WHERE set_id = ? ORDER BY id",
      set.id, [&](const Statement& row) -> Result<void> {
        PhotoMeasurement& photo = set.measurement.photos.emplace_back();
        records.push_back({row.Integer(0), set_index, DigestOf(row, 2),
                           static_cast<std::uint64_t>(row.Integer(19))});
        return ReadPhotoRow(row, photo);
      });
}

void ReadFigureRow(const Statement& row, NoteMeasurement& note) {
  const std::string quantity = row.Text(0);
  const std::optional<double> value = row.OptionalReal(1);
  const auto measured = value ? std::optional(Measured{*value, row.Real(2)}) : std::nullopt;
  const Verdict verdict = VerdictFromWord(row.Text(3));
  if (quantity == "lateral_mm") {
    note.lateral_mm = measured;
    note.lateral_verdict = verdict;
  } else if (quantity == "height_mm") {
    note.height_mm = measured;
    note.height_verdict = verdict;
  } else if (quantity == "gap_mm") {
    note.gap_mm = measured;
    note.gap_verdict = verdict;
  } else if (quantity == "yaw_deg") {
    note.yaw_deg = measured;
  } else if (quantity == "pitch_deg") {
    note.pitch_deg = measured;
  } else {
    note.tone_bar_yaw_deg = measured;
  }
}

Result<void> ReadNoteRow(const Statement& row, NoteMeasurement& note) {
  note.midi = static_cast<int>(row.Integer(1));
  note.name = NoteName(note.midi);
  note.photos = static_cast<int>(row.Integer(2));
  note.correction_deg = row.OptionalReal(3);
  note.reason = row.Text(4);
  note.advice = row.Text(5);
  int column = 6;
  for (Eigen::Vector3d* place : {&note.root_harp_mm, &note.tip_harp_mm, &note.pickup_harp_mm}) {
    for (int axis = 0; axis < 3; ++axis) (*place)[axis] = row.Real(column++);
  }
  note.tine_diameter_mm = row.OptionalReal(15).value_or(note.tine_diameter_mm);
  note.pole_tip_diameter_mm = row.OptionalReal(16).value_or(note.pole_tip_diameter_mm);
  if (row.IsNull(17)) return {};
  const auto covariance = CovarianceFromColumn(row.Text(17));
  if (!covariance) return tl::unexpected(covariance.error());
  note.covariance = *covariance;
  return {};
}

Result<void> ReadNotes(const RecordSnapshot& snapshot, VisitSet& set) {
  std::vector<std::int64_t> ids;
  auto done = ForEachRow(
      snapshot,
      "SELECT id, midi, photos, correction_deg, reason, advice, root_x_mm, root_y_mm, root_z_mm,"
      " tip_x_mm, tip_y_mm, tip_z_mm, pickup_x_mm, pickup_y_mm, pickup_z_mm, tine_diameter_mm,"
      " pole_tip_diameter_mm, covariance FROM note WHERE set_id = ? ORDER BY midi",
      set.id, [&](const Statement& row) {
        ids.push_back(row.Integer(0));
        return ReadNoteRow(row, set.measurement.notes.emplace_back());
      });
  for (std::size_t i = 0; i < ids.size() && done; ++i) {
    NoteMeasurement& note = set.measurement.notes[i];
    done = ForEachRow(
        snapshot, "SELECT quantity, value, expanded_u, verdict FROM measurement WHERE note_id = ?",
        ids[i], [&](const Statement& row) -> Result<void> {
          ReadFigureRow(row, note);
          return {};
        });
    if (!done) return done;
    done = ForEachRow(
        snapshot, "SELECT kind, text FROM suspicion WHERE note_id = ? ORDER BY id", ids[i],
        [&](const Statement& row) -> Result<void> {
          note.suspicions.push_back({StateOf(kSuspicionWords, row.Text(0)), row.Text(1)});
          return {};
        });
  }
  return done;
}

Result<void> ReadSets(const RecordSnapshot& snapshot, Visit& visit) {
  auto done = ForEachRow(
      snapshot,
      "SELECT photo_set.id, damper, photo_set.recorded_utc, follows IS NOT NULL"
      " FROM photo_set JOIN visit ON visit.id = visit_id"
      " WHERE coalesce(follows, visit.id) = ? ORDER BY follows IS NOT NULL, photo_set.id",
      visit.id, [&](const Statement& row) -> Result<void> {
        visit.sets.push_back(
            {row.Integer(0), DamperFromWord(row.Text(1)), row.Integer(3) != 0, row.Text(2), {}});
        return {};
      });
  for (std::size_t i = 0; i < visit.sets.size() && done; ++i) {
    done = ReadPhotos(snapshot, i, visit.sets[i], visit.photos);
    if (done) done = ReadNotes(snapshot, visit.sets[i]);
  }
  if (done) visit.measurement = MergeSets(visit.sets);
  return done;
}

Result<void> ReadVisits(const RecordSnapshot& snapshot, std::vector<Visit>& visits) {
  auto done = ForEachRow(
      snapshot,
      "SELECT visit.id, name, date, technician, recorded_utc, instrument, coalesce(json, '')"
      " FROM visit LEFT JOIN profile ON profile.id = profile_id WHERE follows IS NULL"
      " ORDER BY date, visit.id",
      std::nullopt, [&](const Statement& row) -> Result<void> {
        Visit& visit = visits.emplace_back();
        visit.id = row.Integer(0);
        visit.name = row.Text(1);
        visit.kind = VisitKindOf(visit.name);
        visit.date = row.Text(2);
        visit.technician = row.Text(3);
        visit.recorded_utc = row.Text(4);
        visit.instrument = row.Text(5);
        visit.profile_json = row.Text(6);
        if (visit.profile_json.empty()) return {};
        auto profile = ParseInstrumentProfile(
            visit.profile_json, "the profile of the visit \"" + visit.name + "\" in it: ");
        if (!profile) return tl::unexpected(profile.error());
        visit.profile = std::move(*profile);
        return {};
      });
  for (Visit& visit : visits) {
    if (done) done = ReadSets(snapshot, visit);
  }
  return done;
}

// The last columns of every entry: technician, date, recorded_utc.
EntryStamp StampOf(const Statement& row, int column) {
  return {row.Text(column), row.Text(column + 1), row.Text(column + 2)};
}

std::optional<int> OptionalMidi(const Statement& row, int column) {
  const auto midi = row.OptionalInteger(column);
  return midi ? std::optional(static_cast<int>(*midi)) : std::nullopt;
}

Result<void> ReadBenchEntries(const RecordSnapshot& snapshot, ServiceRecord& record) {
  auto done = ForEachRow(
      snapshot,
      "SELECT id, midi, part, state, doubled, place, stage, text, technician, date, recorded_utc"
      " FROM finding WHERE withdrawn_utc IS NULL ORDER BY id",
      std::nullopt, [&](const Statement& row) -> Result<void> {
        record.findings.push_back(
            {row.Integer(0), static_cast<int>(row.Integer(1)), StateOf(kPartWords, row.Text(2)),
             row.Text(3), row.Integer(4) != 0, StateOf(kPlaceWords, row.Text(5)),
             StateOf(kStageWords, row.Text(6)), row.Text(7), StampOf(row, 8)});
        return {};
      });
  if (!done) return done;
  done = ForEachRow(snapshot,
                    "SELECT id, midi, text, technician, date, recorded_utc FROM work_done"
                    " WHERE withdrawn_utc IS NULL ORDER BY id",
                    std::nullopt, [&](const Statement& row) -> Result<void> {
                      record.work_done.push_back(
                          {row.Integer(0), OptionalMidi(row, 1), row.Text(2), StampOf(row, 3)});
                      return {};
                    });
  if (!done) return done;
  return ForEachRow(
      snapshot,
      "SELECT id, visit_id, midi, task, done, technician, date, recorded_utc FROM work_tick"
      " WHERE withdrawn_utc IS NULL ORDER BY id",
      std::nullopt, [&](const Statement& row) -> Result<void> {
        record.ticks.push_back({row.Integer(0), row.Integer(1), static_cast<int>(row.Integer(2)),
                                StateOf(kTaskWords, row.Text(3)), row.Integer(4) != 0,
                                StampOf(row, 5)});
        return {};
      });
}

Result<void> ReadPhotoEntries(const RecordSnapshot& snapshot, ServiceRecord& record) {
  auto done = ForEachRow(
      snapshot,
      "SELECT id, visit_id, midi, state, text, technician, date, recorded_utc FROM review"
      " WHERE withdrawn_utc IS NULL ORDER BY id",
      std::nullopt, [&](const Statement& row) -> Result<void> {
        record.reviews.push_back({row.Integer(0), row.Integer(1), static_cast<int>(row.Integer(2)),
                                  StateOf(kReviewWords, row.Text(3)), row.Text(4),
                                  StampOf(row, 5)});
        return {};
      });
  if (!done) return done;
  done = ForEachRow(
      snapshot,
      "SELECT id, photo_id, midi, payload, technician, date, recorded_utc FROM correction"
      " WHERE withdrawn_utc IS NULL ORDER BY id",
      std::nullopt, [&](const Statement& row) -> Result<void> {
        record.corrections.push_back({row.Integer(0), row.Integer(1),
                                      static_cast<int>(row.Integer(2)), row.Text(3),
                                      StampOf(row, 4)});
        return {};
      });
  if (!done) return done;
  return ForEachRow(
      snapshot,
      "SELECT id, visit_id, midi, name, media_type, caption, length(bytes), sha256, technician,"
      " date, recorded_utc FROM attachment WHERE withdrawn_utc IS NULL ORDER BY id",
      std::nullopt, [&](const Statement& row) -> Result<void> {
        record.attachments.push_back({row.Integer(0), row.OptionalInteger(1), OptionalMidi(row, 2),
                                      row.Text(3), row.Text(4), row.Text(5),
                                      static_cast<std::uint64_t>(row.Integer(6)),
                                      DigestOf(row, 7).value_or(Sha256Digest{}), StampOf(row, 8)});
        return {};
      });
}

Result<void> ReadInstrument(const RecordSnapshot& snapshot, InstrumentInfo& instrument) {
  return ForEachRow(snapshot, "SELECT type, compass, serial, owner FROM instrument", std::nullopt,
                    [&](const Statement& row) -> Result<void> {
                      instrument = {row.Text(0), row.Text(1), row.Text(2), row.Text(3)};
                      return {};
                    });
}

// Every message names the file, once.
Error Naming(const std::filesystem::path& file, const Error& error) {
  const std::string name = file.string() + ": ";
  return {error.message.starts_with(name) ? error.message : name + error.message};
}

Result<std::string> ReadBytes(const std::filesystem::path& file, const char* sql, std::int64_t id,
                              const char* missing) {
  const auto snapshot = RecordSnapshot::Open(file);
  if (!snapshot) return tl::unexpected(snapshot.error());
  std::optional<std::string> bytes;
  auto done = ForEachRow(*snapshot, sql, id, [&](const Statement& row) -> Result<void> {
    bytes = row.Blob(0);
    return {};
  });
  if (!done) return tl::unexpected(done.error());
  if (!bytes) return Fail(file.string() + ": " + missing);
  return std::move(*bytes);
}

}  // namespace

Result<ServiceRecord> ReadServiceRecord(const std::filesystem::path& file) {
  const auto snapshot = RecordSnapshot::Open(file);
  if (!snapshot) return tl::unexpected(snapshot.error());
  ServiceRecord record;
  record.file = file;
  auto done = ReadInstrument(*snapshot, record.instrument);
  if (done) done = ReadVisits(*snapshot, record.visits);
  if (done) done = ReadBenchEntries(*snapshot, record);
  if (done) done = ReadPhotoEntries(*snapshot, record);
  if (!done) return tl::unexpected(Naming(file, done.error()));
  return record;
}

Result<std::string> ReadEmbeddedPhoto(const std::filesystem::path& file, std::int64_t photo_id) {
  return ReadBytes(file, "SELECT bytes FROM photo_picture WHERE photo_id = ?", photo_id,
                   "this photo's picture is not in the record; measure with --embed keeps it");
}

Result<std::string> ReadAttachment(const std::filesystem::path& file, std::int64_t attachment_id) {
  return ReadBytes(file, "SELECT bytes FROM attachment WHERE id = ?", attachment_id,
                   "the record has no such attachment");
}

}  // namespace tinesight
