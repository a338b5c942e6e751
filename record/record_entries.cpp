// Adding single entries to a service record, withdrawing them, and copying a record.
#include <algorithm>
#include <functional>
#include <initializer_list>

#include "calibration/file_io.hpp"
#include "record/picture_file.hpp"
#include "record/record_json.hpp"
#include "record/record_schema.hpp"
#include "record/record_words.hpp"
#include "record/service_record.hpp"
#include "record/sha256.hpp"

namespace tinesight {
namespace {

Result<void> CheckStamp(const EntryStamp& stamp) {
  if (stamp.date.empty() || IsDay(stamp.date)) return {};
  return Fail("the date " + stamp.date + " is no day; write it like 2024-05-02");
}

Result<void> CheckMidi(std::optional<int> midi) {
  if (!midi || (*midi >= 0 && *midi <= 127)) return {};
  return Fail("the MIDI number " + std::to_string(*midi) + " is no note; it must be 0 to 127");
}

/// INSERT of the columns given and the stamp's.
std::string InsertSql(const char* table, std::initializer_list<const char*> columns) {
  std::string names;
  std::string values;
  for (const char* column : columns) {
    names += std::string(column) + ", ";
    values += "?, ";
  }
  return "INSERT INTO " + std::string(table) + " (" + names + "technician, date, recorded_utc)" +
         " VALUES (" + values + "?, coalesce(nullif(?, ''), date('now', 'localtime'))," +
         " strftime('%Y-%m-%dT%H:%M:%SZ', 'now'))";
}

using Bind = std::function<void(Statement&)>;
using EntryId = Result<std::int64_t>;

/// Inserts one entry; `bind` binds the columns before the stamp's.
EntryId InsertEntry(const Database& database, const std::string& sql, const Bind& bind,
                    const EntryStamp& stamp) {
  if (auto sound = CheckStamp(stamp); !sound) return tl::unexpected(sound.error());
  auto insert = database.Prepare(sql);
  if (!insert) return tl::unexpected(insert.error());
  bind(*insert);
  insert->Bind(stamp.technician).Bind(stamp.date);
  if (auto done = insert->Run(); !done) return tl::unexpected(done.error());
  return database.LastRowId();
}

/// Whether a table has the row that an entry belongs to.
Result<void> CheckRow(const Database& database, const char* table, std::int64_t id) {
  auto query = database.Prepare("SELECT count(*) FROM " + std::string(table) + " WHERE id = ?");
  if (!query) return tl::unexpected(query.error());
  query->Bind(id);
  const Result<bool> row = query->Step();
  if (!row) return tl::unexpected(row.error());
  if (query->Integer(0) > 0) return {};
  return Fail(database.Where() + ": has no " + table + " of the number " + std::to_string(id));
}

/// One change in one transaction. `insert` gives an id, or fails and nothing is kept.
EntryId InTransaction(const std::filesystem::path& file,
                      const std::function<EntryId(const Database&)>& insert) {
  auto change = RecordChange::Begin(file);
  if (!change) return tl::unexpected(change.error());
  EntryId id = insert(change->Get());
  if (!id) return id;
  if (auto done = change->Commit(); !done) return tl::unexpected(done.error());
  return id;
}

Result<void> CheckFinding(const Finding& finding) {
  if (auto sound = CheckMidi(finding.midi); !sound) return sound;
  const std::vector<std::string>& states = StatesOf(finding.part);
  if (finding.part == FindingPart::kOther) {
    if (finding.text.empty()) return Fail("a remark needs a text");
  } else if (finding.state.empty()) {
    return Fail("the finding on the " + PartWord(finding.part) + " needs a state");
  } else if (!states.empty() &&
             std::find(states.begin(), states.end(), finding.state) == states.end()) {
    std::string choices;
    for (const std::string& state : states) {
      if (!choices.empty()) choices += state == states.back() ? " or " : ", ";
      choices += state;
    }
    return Fail(PartWord(finding.part) + " \"" + finding.state + "\" is no state of it; choose " +
                choices);
  }
  if (finding.doubled && finding.part != FindingPart::kSpring) {
    return Fail("only a spring can be doubled");
  }
  return {};
}

EntryId InsertFinding(const Database& database, const Finding& finding) {
  if (auto sound = CheckFinding(finding); !sound) return tl::unexpected(sound.error());
  return InsertEntry(
      database,
      InsertSql("finding", {"midi", "part", "state", "doubled", "place", "stage", "text"}),
      [&](Statement& insert) {
        insert.Bind(finding.midi).Bind(WordOf(kPartWords, finding.part)).Bind(finding.state);
        insert.Bind(finding.doubled ? 1 : 0).Bind(WordOf(kPlaceWords, finding.place));
        insert.Bind(WordOf(kStageWords, finding.stage)).Bind(finding.text);
      },
      finding.stamp);
}

EntryId InsertWork(const Database& database, const WorkDone& work) {
  if (auto sound = CheckMidi(work.midi); !sound) return tl::unexpected(sound.error());
  if (work.text.empty()) return Fail("work done needs a text that says what was done");
  return InsertEntry(
      database, InsertSql("work_done", {"midi", "text"}),
      [&](Statement& insert) { insert.Bind(work.midi).Bind(work.text); }, work.stamp);
}

EntryId InsertTick(const Database& database, const WorkTick& tick) {
  if (auto sound = CheckMidi(tick.midi); !sound) return tl::unexpected(sound.error());
  if (auto there = CheckRow(database, "visit", tick.visit_id); !there) {
    return tl::unexpected(there.error());
  }
  return InsertEntry(
      database, InsertSql("work_tick", {"visit_id", "midi", "task", "done"}),
      [&](Statement& insert) {
        insert.Bind(tick.visit_id).Bind(tick.midi).Bind(WordOf(kTaskWords, tick.task));
        insert.Bind(tick.done ? 1 : 0);
      },
      tick.stamp);
}

Result<void> UpdateInstrument(const Database& database, const InstrumentInfo& instrument) {
  auto update = database.Prepare(
      "UPDATE instrument SET type = ?, compass = ?, serial = ?, owner = ? WHERE id = 1");
  if (!update) return tl::unexpected(update.error());
  update->Bind(instrument.type).Bind(instrument.compass);
  update->Bind(instrument.serial).Bind(instrument.owner);
  return update->Run();
}

/// Gives the last entry's id, or 0.
EntryId InsertNotes(const Database& database, const BenchNotes& notes) {
  EntryId id = 0;
  for (const Finding& finding : notes.findings) {
    if (id) id = InsertFinding(database, finding);
  }
  for (const WorkDone& work : notes.work_done) {
    if (id) id = InsertWork(database, work);
  }
  for (const WorkTick& tick : notes.ticks) {
    if (id) id = InsertTick(database, tick);
  }
  if (!id || !notes.instrument) return id;
  const auto updated = UpdateInstrument(database, *notes.instrument);
  return updated ? id : EntryId(tl::unexpected(updated.error()));
}

/// Writes a record made in memory as a new file; false: there is one already.
Result<bool> PlaceNew(const std::filesystem::path& file, const Database& database) {
  const Result<std::string> bytes = database.Serialize();
  if (!bytes) return tl::unexpected(bytes.error());
  return WriteNewFileAtomically(file, *bytes);
}

const char* TableOf(EntryKind kind) {
  switch (kind) {
    case EntryKind::kFinding:
      return "finding";
    case EntryKind::kWorkDone:
      return "work_done";
    case EntryKind::kTick:
      return "work_tick";
    case EntryKind::kReview:
      return "review";
    case EntryKind::kCorrection:
      return "correction";
    case EntryKind::kAttachment:
      break;
  }
  return "attachment";
}

Result<void> SetWithdrawn(const std::filesystem::path& file, EntryKind kind, std::int64_t id,
                          bool withdrawn) {
  auto change = RecordChange::Begin(file);
  if (!change) return tl::unexpected(change.error());
  const std::string table = TableOf(kind);
  auto update = change->Prepare(
      "UPDATE " + table + " SET withdrawn_utc = " +
      (withdrawn ? "coalesce(withdrawn_utc, strftime('%Y-%m-%dT%H:%M:%SZ', 'now'))" : "NULL") +
      " WHERE id = ? RETURNING id");
  if (!update) return tl::unexpected(update.error());
  update->Bind(id);
  const Result<bool> row = update->Step();
  if (!row) return tl::unexpected(row.error());
  if (!*row) {
    return Fail(file.string() + ": has no entry of the number " + std::to_string(id) + " in " +
                table);
  }
  if (auto done = update->Run(); !done) return done;
  return change->Commit();
}

struct StoredPicture {
  std::int64_t id = 0;
  std::string name;
};

Result<std::vector<StoredPicture>> PicturesOf(const Database& database, const char* sql) {
  auto select = database.Prepare(sql);
  if (!select) return tl::unexpected(select.error());
  std::vector<StoredPicture> pictures;
  for (;;) {
    const Result<bool> row = select->Step();
    if (!row) return tl::unexpected(row.error());
    if (!*row) return pictures;
    pictures.push_back({select->Integer(0), select->Text(1)});
  }
}

Result<std::string> BlobOf(const Database& database, const char* sql, std::int64_t id) {
  auto select = database.Prepare(sql);
  if (!select) return tl::unexpected(select.error());
  select->Bind(id);
  const Result<bool> row = select->Step();
  if (!row) return tl::unexpected(row.error());
  return *row ? select->Blob(0) : std::string();
}

// The embedded photos of a copy: nothing but their pixels.
Result<void> StripPhotos(const Database& database, CopySummary& summary) {
  const auto pictures = PicturesOf(database,
                                   "SELECT photo_id, file FROM photo_picture "
                                   "JOIN photo ON photo.id = photo_id ORDER BY photo_id");
  if (!pictures) return tl::unexpected(pictures.error());
  for (const StoredPicture& picture : *pictures) {
    const auto bytes =
        BlobOf(database, "SELECT bytes FROM photo_picture WHERE photo_id = ?", picture.id);
    if (!bytes) return tl::unexpected(bytes.error());
    const auto stripped = PictureWithoutMetadata(*bytes, picture.name);
    auto change =
        database.Prepare(stripped ? "UPDATE photo_picture SET bytes = ? WHERE photo_id = ?"
                                  : "DELETE FROM photo_picture WHERE photo_id = ?");
    if (!change) return tl::unexpected(change.error());
    if (stripped) change->BindBlob(BytesOf(stripped->jpeg));
    change->Bind(picture.id);
    if (auto done = change->Run(); !done) return done;
    if (stripped) ++summary.pictures;
    if (!stripped) summary.left_out.push_back(picture.name);
  }
  return {};
}

// Attached pictures were stripped when they came in; another program may have put in others.
Result<void> StripAttachments(const Database& database, CopySummary& summary) {
  const auto pictures = PicturesOf(
      database, "SELECT id, name FROM attachment WHERE media_type LIKE 'image/%' ORDER BY id");
  if (!pictures) return tl::unexpected(pictures.error());
  for (const StoredPicture& picture : *pictures) {
    const auto bytes = BlobOf(database, "SELECT bytes FROM attachment WHERE id = ?", picture.id);
    if (!bytes) return tl::unexpected(bytes.error());
    const auto stripped = PictureWithoutMetadata(*bytes, picture.name);
    if (stripped) ++summary.pictures;
    if (!stripped) summary.left_out.push_back(picture.name);
    const std::string kept = stripped ? stripped->jpeg : std::string();
    auto change = database.Prepare("UPDATE attachment SET bytes = ?, sha256 = ? WHERE id = ?");
    if (!change) return tl::unexpected(change.error());
    change->BindBlob(BytesOf(kept)).BindBlob(Sha256(kept)).Bind(picture.id);
    if (auto done = change->Run(); !done) return done;
  }
  return {};
}

}  // namespace

Result<void> CreateServiceRecord(const std::filesystem::path& file,
                                 const InstrumentInfo& instrument) {
  const auto database = NewRecord();
  if (!database) return tl::unexpected(database.error());
  if (auto done = UpdateInstrument(*database, instrument); !done) return done;
  const Result<bool> placed = PlaceNew(file, *database);
  if (!placed) return tl::unexpected(placed.error());
  if (!*placed) return Fail(file.string() + ": exists already; name another file");
  return {};
}

Result<void> SetInstrumentInfo(const std::filesystem::path& file,
                               const InstrumentInfo& instrument) {
  return AddBenchNotes(file, {{}, {}, {}, instrument});
}

Result<std::int64_t> AddFinding(const std::filesystem::path& file, const Finding& finding) {
  return InTransaction(file,
                       [&](const Database& database) { return InsertFinding(database, finding); });
}

Result<std::int64_t> AddWorkDone(const std::filesystem::path& file, const WorkDone& work) {
  return InTransaction(file, [&](const Database& database) { return InsertWork(database, work); });
}

Result<std::int64_t> TickWork(const std::filesystem::path& file, const WorkTick& tick) {
  return InTransaction(file, [&](const Database& database) { return InsertTick(database, tick); });
}

Result<void> AddBenchNotes(const std::filesystem::path& file, const BenchNotes& notes) {
  const Result<bool> exists = RecordExists(file);
  if (!exists) return tl::unexpected(exists.error());
  if (!*exists) {
    const auto database = NewRecord();
    if (!database) return tl::unexpected(database.error());
    if (const EntryId id = InsertNotes(*database, notes); !id) return tl::unexpected(id.error());
    const Result<bool> placed = PlaceNew(file, *database);
    if (!placed) return tl::unexpected(placed.error());
    if (*placed) return {};  // else another program made the record in the meantime
  }
  const EntryId last =
      InTransaction(file, [&](const Database& database) { return InsertNotes(database, notes); });
  return last ? Result<void>() : tl::unexpected(last.error());
}

Result<std::int64_t> SetReview(const std::filesystem::path& file, const Review& review) {
  if (auto sound = CheckMidi(review.midi); !sound) return tl::unexpected(sound.error());
  return InTransaction(file, [&](const Database& database) -> EntryId {
    if (auto there = CheckRow(database, "visit", review.visit_id); !there) {
      return tl::unexpected(there.error());
    }
    return InsertEntry(
        database, InsertSql("review", {"visit_id", "midi", "state", "text"}),
        [&](Statement& insert) {
          insert.Bind(review.visit_id).Bind(review.midi);
          insert.Bind(WordOf(kReviewWords, review.state)).Bind(review.text);
        },
        review.stamp);
  });
}

Result<std::int64_t> AddCorrection(const std::filesystem::path& file,
                                   const Correction& correction) {
  if (auto sound = CheckMidi(correction.midi); !sound) return tl::unexpected(sound.error());
  if (!IsJson(correction.payload_json)) return Fail("a correction's payload must be JSON");
  return InTransaction(file, [&](const Database& database) -> EntryId {
    if (auto there = CheckRow(database, "photo", correction.photo_id); !there) {
      return tl::unexpected(there.error());
    }
    return InsertEntry(
        database, InsertSql("correction", {"photo_id", "midi", "payload"}),
        [&](Statement& insert) {
          insert.Bind(correction.photo_id).Bind(correction.midi).Bind(correction.payload_json);
        },
        correction.stamp);
  });
}

Result<std::int64_t> AddAttachment(const std::filesystem::path& file, const Attachment& attachment,
                                   const std::string& contents) {
  if (auto sound = CheckMidi(attachment.midi); !sound) return tl::unexpected(sound.error());
  if (attachment.name.empty()) return Fail("an attachment needs a name");
  return InTransaction(file, [&](const Database& database) -> EntryId {
    if (attachment.visit_id) {
      if (auto there = CheckRow(database, "visit", *attachment.visit_id); !there) {
        return tl::unexpected(there.error());
      }
    }
    return InsertEntry(
        database,
        InsertSql("attachment",
                  {"visit_id", "midi", "name", "media_type", "caption", "sha256", "bytes"}),
        [&](Statement& insert) {
          insert.Bind(attachment.visit_id).Bind(attachment.midi).Bind(attachment.name);
          insert.Bind(attachment.media_type).Bind(attachment.caption);
          insert.BindBlob(Sha256(contents)).BindBlob(BytesOf(contents));
        },
        attachment.stamp);
  });
}

Result<void> WithdrawEntry(const std::filesystem::path& file, EntryKind kind, std::int64_t id) {
  return SetWithdrawn(file, kind, id, true);
}

Result<void> RestoreEntry(const std::filesystem::path& file, EntryKind kind, std::int64_t id) {
  return SetWithdrawn(file, kind, id, false);
}

Result<CopySummary> CopyServiceRecord(const std::filesystem::path& file,
                                      const std::filesystem::path& copy,
                                      const CopyOptions& options) {
  const auto snapshot = RecordSnapshot::Open(file);
  if (!snapshot) return tl::unexpected(snapshot.error());
  // By way of memory: the copy is of one state, and is placed as a file at once.
  const Result<std::string> bytes = snapshot->Get().Serialize();
  if (!bytes) return tl::unexpected(bytes.error());
  const auto database = Database::FromBytes(*bytes, file.string());
  if (!database) return tl::unexpected(database.error());
  CopySummary summary;
  Result<void> done;
  if (!options.embedded_photos) done = database->Execute("DELETE FROM photo_picture");
  if (done) done = StripPhotos(*database, summary);
  if (done) done = StripAttachments(*database, summary);
  if (done) done = database->Execute("VACUUM");
  if (!done) return tl::unexpected(done.error());
  const Result<bool> placed = PlaceNew(copy, *database);
  if (!placed) return tl::unexpected(placed.error());
  if (!*placed) {
    return Fail(copy.string() + ": exists already and is left as it is; name another file");
  }
  return summary;
}

}  // namespace tinesight
