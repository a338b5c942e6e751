// Adding single entries to a service record, withdrawing them, and copying a record.
#include <algorithm>
#include <functional>
#include <initializer_list>

#include "calibration/file_io.hpp"
#include "record/record_json.hpp"
#include "record/record_schema.hpp"
#include "record/record_words.hpp"
#include "record/service_record.hpp"

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
EntryId InsertEntry(const RecordChange& change, const std::string& sql, const Bind& bind,
                    const EntryStamp& stamp) {
  if (auto sound = CheckStamp(stamp); !sound) return tl::unexpected(sound.error());
  auto insert = change.Prepare(sql);
  if (!insert) return tl::unexpected(insert.error());
  bind(*insert);
  insert->Bind(stamp.technician).Bind(stamp.date);
  if (auto done = insert->Run(); !done) return tl::unexpected(done.error());
  return change.Get().LastRowId();
}

/// Whether a table has the row that an entry belongs to.
Result<void> CheckRow(const RecordChange& change, const char* table, std::int64_t id) {
  auto query = change.Prepare("SELECT count(*) FROM " + std::string(table) + " WHERE id = ?");
  if (!query) return tl::unexpected(query.error());
  query->Bind(id);
  const Result<bool> row = query->Step();
  if (!row) return tl::unexpected(row.error());
  if (query->Integer(0) > 0) return {};
  return Fail(change.Get().Where() + ": has no " + table + " of the number " + std::to_string(id));
}

/// One change in one transaction. `insert` gives an id, or fails and nothing is kept.
EntryId InTransaction(const std::filesystem::path& file,
                      const std::function<EntryId(const RecordChange&)>& insert) {
  auto change = RecordChange::Begin(file);
  if (!change) return tl::unexpected(change.error());
  const EntryId id = insert(*change);
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

EntryId InsertFinding(const RecordChange& change, const Finding& finding) {
  if (auto sound = CheckFinding(finding); !sound) return tl::unexpected(sound.error());
  return InsertEntry(
      change, InsertSql("finding", {"midi", "part", "state", "doubled", "place", "stage", "text"}),
      [&](Statement& insert) {
        insert.Bind(finding.midi).Bind(WordOf(kPartWords, finding.part)).Bind(finding.state);
        insert.Bind(finding.doubled ? 1 : 0).Bind(WordOf(kPlaceWords, finding.place));
        insert.Bind(WordOf(kStageWords, finding.stage)).Bind(finding.text);
      },
      finding.stamp);
}

EntryId InsertWork(const RecordChange& change, const WorkDone& work) {
  if (auto sound = CheckMidi(work.midi); !sound) return tl::unexpected(sound.error());
  if (work.text.empty()) return Fail("work done needs a text that says what was done");
  return InsertEntry(
      change, InsertSql("work_done", {"midi", "text"}),
      [&](Statement& insert) { insert.Bind(work.midi).Bind(work.text); }, work.stamp);
}

EntryId InsertTick(const RecordChange& change, const WorkTick& tick) {
  if (auto sound = CheckMidi(tick.midi); !sound) return tl::unexpected(sound.error());
  if (auto there = CheckRow(change, "visit", tick.visit_id); !there) {
    return tl::unexpected(there.error());
  }
  return InsertEntry(
      change, InsertSql("work_tick", {"visit_id", "midi", "task", "done"}),
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

}  // namespace

Result<void> CreateServiceRecord(const std::filesystem::path& file,
                                 const InstrumentInfo& instrument) {
  const auto database = NewRecord();
  if (!database) return tl::unexpected(database.error());
  if (auto done = UpdateInstrument(*database, instrument); !done) return done;
  const Result<std::string> bytes = database->Serialize();
  if (!bytes) return tl::unexpected(bytes.error());
  const Result<bool> placed = WriteNewFileAtomically(file, *bytes);
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
                       [&](const RecordChange& change) { return InsertFinding(change, finding); });
}

Result<std::int64_t> AddWorkDone(const std::filesystem::path& file, const WorkDone& work) {
  return InTransaction(file, [&](const RecordChange& change) { return InsertWork(change, work); });
}

Result<std::int64_t> TickWork(const std::filesystem::path& file, const WorkTick& tick) {
  return InTransaction(file, [&](const RecordChange& change) { return InsertTick(change, tick); });
}

Result<void> AddBenchNotes(const std::filesystem::path& file, const BenchNotes& notes) {
  const EntryId last = InTransaction(file, [&](const RecordChange& change) {
    EntryId id = 0;
    for (const Finding& finding : notes.findings) {
      if (id) id = InsertFinding(change, finding);
    }
    for (const WorkDone& work : notes.work_done) {
      if (id) id = InsertWork(change, work);
    }
    for (const WorkTick& tick : notes.ticks) {
      if (id) id = InsertTick(change, tick);
    }
    if (!id || !notes.instrument) return id;
    const auto updated = UpdateInstrument(change.Get(), *notes.instrument);
    return updated ? id : EntryId(tl::unexpected(updated.error()));
  });
  return last ? Result<void>() : tl::unexpected(last.error());
}

Result<std::int64_t> SetReview(const std::filesystem::path& file, const Review& review) {
  if (auto sound = CheckMidi(review.midi); !sound) return tl::unexpected(sound.error());
  return InTransaction(file, [&](const RecordChange& change) -> EntryId {
    if (auto there = CheckRow(change, "visit", review.visit_id); !there) {
      return tl::unexpected(there.error());
    }
    return InsertEntry(
        change, InsertSql("review", {"visit_id", "midi", "state", "text"}),
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
  return InTransaction(file, [&](const RecordChange& change) -> EntryId {
    if (auto there = CheckRow(change, "photo", correction.photo_id); !there) {
      return tl::unexpected(there.error());
    }
    return InsertEntry(
        change, InsertSql("correction", {"photo_id", "midi", "payload"}),
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
  return InTransaction(file, [&](const RecordChange& change) -> EntryId {
    if (attachment.visit_id) {
      if (auto there = CheckRow(change, "visit", *attachment.visit_id); !there) {
        return tl::unexpected(there.error());
      }
    }
    return InsertEntry(
        change,
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

Result<void> CopyServiceRecord(const std::filesystem::path& file, const std::filesystem::path& copy,
                               const CopyOptions& options) {
  const auto snapshot = RecordSnapshot::Open(file);
  if (!snapshot) return tl::unexpected(snapshot.error());
  // By way of memory: the copy is of one state, and is placed as a file at once.
  Result<std::string> bytes = snapshot->Get().Serialize();
  if (!bytes) return tl::unexpected(bytes.error());
  const auto database = Database::FromBytes(*bytes, file.string());
  if (!database) return tl::unexpected(database.error());
  Result<void> done;
  if (!options.embedded_photos) done = database->Execute("DELETE FROM photo_picture");
  if (done) done = database->Execute("VACUUM");
  if (!done) return done;
  bytes = database->Serialize();
  if (!bytes) return tl::unexpected(bytes.error());
  const Result<bool> placed = WriteNewFileAtomically(copy, *bytes);
  if (!placed) return tl::unexpected(placed.error());
  if (!*placed) {
    return Fail(copy.string() + ": exists already and is left as it is; name another file");
  }
  return {};
}

}  // namespace tinesight
