#pragma once

#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "alignment/correction.hpp"
#include "alignment/measurement.hpp"
#include "alignment/profile.hpp"
#include "calibration/error.hpp"
#include "record/sha256.hpp"

namespace tinesight {

/// The service record of one instrument: one SQLite file (.tinerec; its tables: record/README.md).
///
/// ReadServiceRecord gives all of it as plain structs, in one consistent state. What stands in a
/// record is never edited: visits are added, and everything else (findings, work done, ticks,
/// reviews, corrections, attachments) is a list of entries that grows. An entry that was a mistake
/// is withdrawn and can be restored, which is also how a window undoes and redoes; the history
/// stays in the file. Every function that changes a record does so in one transaction: after it,
/// the file holds the change or, on failure (and after a power cut or kill), what it held before.
/// A file that is no sound record of ours is refused with one line and never written to.
///
/// Dates are ISO 8601 days ("2024-05-02"), times UTC ("2024-05-02T14:03:00Z").

/// Application id ("Tine") and schema version of a service record.
inline constexpr int kRecordApplicationId = 0x54696E65;
inline constexpr int kRecordSchemaVersion = 3;

/// Whether a text is a day of the calendar as "2024-05-02".
[[nodiscard]] bool IsDay(const std::string& text);

/// Which instrument; free text, all of it optional.
struct InstrumentInfo {
  std::string type;     ///< "73-note tine piano, portable"
  std::string compass;  ///< "E1 to E7"; filled from the first visit's profile if nobody said it
  std::string serial;
  std::string owner;
};

enum class VisitKind { kAsFound, kAsLeft, kOther };

/// By the visit's name: "as found …" and "as left …", in any case; everything else is other.
[[nodiscard]] VisitKind VisitKindOf(const std::string& visit_name);

/// What the record keeps of a photo beside its PhotoMeasurement.
struct PhotoRecord {
  std::int64_t id = 0;
  std::size_t set = 0;                 ///< index into Visit::sets
  std::optional<Sha256Digest> sha256;  ///< of the file's bytes; absent: it could not be read
  std::uint64_t embedded_bytes = 0;    ///< 0: the picture itself is not in the record
};

/// The photos of a visit that were measured together, all in one damper state. Photos, cameras and
/// notes of a set belong together: they come from one solve and share its harp frame.
struct VisitSet {
  std::int64_t id = 0;
  DamperState damper = DamperState::kUnknown;
  bool follow_up = false;  ///< taken while the work went on (AddFollowUp)
  std::string recorded_utc;
  VisitMeasurement measurement;
};

struct Visit {
  std::int64_t id = 0;
  std::string name;  ///< unique in the record
  VisitKind kind = VisitKind::kOther;
  std::string date;          ///< day of the visit
  std::string technician;    ///< initials; may be empty
  std::string recorded_utc;  ///< when its first photos came in
  std::string instrument;    ///< the profile's name
  /// Profile that it was judged by, and its JSON. A visit of schema version 1 has none: the JSON is
  /// empty and the profile has no notes (Find gives nullptr).
  std::string profile_json;
  InstrumentProfile profile;
  /// One set for each damper state, then the follow-ups, in the order they were added; at least
  /// one.
  std::vector<VisitSet> sets;
  /// All of the visit: the photos of all sets, and of each note the figures that count (MergeSets).
  VisitMeasurement measurement;
  std::vector<PhotoRecord> photos;  ///< parallel to measurement.photos

  /// nullptr where the visit has no such note.
  [[nodiscard]] const NoteMeasurement* Find(int midi) const;
  /// Whether the note's height was measured without a resting damper.
  [[nodiscard]] bool HeightIsFree(int midi) const;
  /// What a photo's overlay is drawn from: its own set, whose camera_from_harp fits those notes.
  [[nodiscard]] const VisitMeasurement& MeasurementOfPhoto(std::size_t photo) const {
    return sets[photos[photo].set].measurement;
  }
};

/// Of each note the figures that count: those of a set whose damper was off the tine (harp raised
/// or key held), else of unknown state, else at rest; among equals the one with the smaller U of
/// height. What a follow-up measured takes the place of what was measured before it as near to a
/// free tine: a screw was turned since. Where a note has both, damper_lift_mm is filled. Verdicts
/// stay as they were judged: at rest, height is uncertain.
[[nodiscard]] VisitMeasurement MergeSets(const std::vector<VisitSet>& sets);

/// Who wrote an entry, and when. `recorded_utc` is set by the record.
struct EntryStamp {
  std::string technician;
  std::string date;  ///< empty: today
  std::string recorded_utc;
};

// Findings: what was seen on the bench.

enum class FindingPart {
  kGrommet,           ///< good, hardened, flattened, cracked, replaced
  kSpring,            ///< state is its grade, free text; see `doubled`
  kTineSeat,          ///< firm, loose
  kHammerTip,         ///< good, grooved, hard
  kScrew,             ///< fully threaded, plain shank
  kInPlaceOfGrommet,  ///< felt, card, washer
  kOther,             ///< text alone
};

/// Before the instrument was taken apart, or after it was put together again: the spring map is
/// taken in both.
enum class WorkStage { kBefore, kAfter };

/// Which of a tone bar's two screws a grommet, spring or screw belongs to.
enum class ScrewPlace { kEither, kForward, kRear };

struct Finding {
  std::int64_t id = 0;
  int midi = 0;
  FindingPart part = FindingPart::kOther;
  std::string state;     ///< one of the part's words (StatesOf), or a spring's grade; else empty
  bool doubled = false;  ///< of a spring: a second one stands in or over it
  ScrewPlace place = ScrewPlace::kEither;
  WorkStage stage = WorkStage::kBefore;
  std::string text;  ///< free remark; needed where part is kOther
  EntryStamp stamp;
};

/// "grommet", "spring", "tine seat", "hammer tip", "screw", "in place of grommet", "remark".
[[nodiscard]] std::string PartWord(FindingPart part);
/// The states that a part can be found in; empty for springs and remarks.
[[nodiscard]] const std::vector<std::string>& StatesOf(FindingPart part);
/// "forward grommet: hardened, crumbles"; "spring: heavy, doubled".
[[nodiscard]] std::string FindingText(const Finding& finding);

/// One place of the spring map: what stood there before and after, as far as it was said. Each
/// text is "heavy" or "heavy, doubled".
struct SpringMapEntry {
  int midi = 0;
  ScrewPlace place = ScrewPlace::kEither;
  std::optional<std::string> before;
  std::optional<std::string> after;
  [[nodiscard]] bool Differs() const { return before && after && *before != *after; }
};

struct ServiceRecord;

/// The spring map, ascending by note, then forward before rear. The latest finding of a place
/// counts; one that names no screw stands for both where the other side names them.
[[nodiscard]] std::vector<SpringMapEntry> SpringMap(const ServiceRecord& record);
/// One line for each spring that is not where it was: "F#1, forward screw: the spring was "heavy",
/// now "light"; put it back where it was". Springs voice the low register.
[[nodiscard]] std::vector<std::string> SpringWarnings(const ServiceRecord& record);

// Work.

struct WorkDone {
  std::int64_t id = 0;
  std::optional<int> midi;  ///< absent: on the instrument as a whole
  std::string text;
  EntryStamp stamp;
};

/// A work item of a visit ticked off (or opened again). The latest tick of an item counts.
struct WorkTick {
  std::int64_t id = 0;
  std::int64_t visit_id = 0;
  int midi = 0;
  WorkTask task = WorkTask::kTurnTine;
  bool done = true;
  EntryStamp stamp;
};

// The technician's own judgment of what was measured.

enum class ReviewState { kNone, kAccepted, kRejected, kNeedsPhoto };

/// The latest review of a note of a visit counts; withdrawing it brings back the one before.
struct Review {
  std::int64_t id = 0;
  std::int64_t visit_id = 0;
  int midi = 0;
  ReviewState state = ReviewState::kNone;
  std::string text;
  EntryStamp stamp;
};

/// A misread edge or tip put right by hand, in one photo. The payload is JSON of the program that
/// made it; the record only checks that it is JSON.
struct Correction {
  std::int64_t id = 0;
  std::int64_t photo_id = 0;
  int midi = 0;
  std::string payload_json;
  EntryStamp stamp;
};

/// An attached picture or other file. Its bytes stay in the record until ReadAttachment.
struct Attachment {
  std::int64_t id = 0;
  std::optional<std::int64_t> visit_id;
  std::optional<int> midi;
  std::string name;        ///< file name without folder
  std::string media_type;  ///< "image/jpeg"
  std::string caption;
  std::uint64_t bytes = 0;
  Sha256Digest sha256{};
  EntryStamp stamp;
};

/// All of a record but its pictures' bytes. Lists are in the order they were entered; withdrawn
/// entries are left out.
struct ServiceRecord {
  std::filesystem::path file;
  InstrumentInfo instrument;
  std::vector<Visit> visits;  ///< by date, then in the order they were added
  std::vector<Finding> findings;
  std::vector<WorkDone> work_done;
  std::vector<WorkTick> ticks;
  std::vector<Review> reviews;
  std::vector<Correction> corrections;
  std::vector<Attachment> attachments;

  [[nodiscard]] const Visit* FindVisit(const std::string& name) const;
  [[nodiscard]] const Visit* FindVisit(std::int64_t id) const;
  /// The newest visit of a kind; nullptr where there is none.
  [[nodiscard]] const Visit* LatestOf(VisitKind kind) const;
  /// The profile of the newest visit that has one; without notes where none has.
  [[nodiscard]] const InstrumentProfile& Profile() const;
  /// The visit's own profile, or (from schema version 1) the record's.
  [[nodiscard]] const InstrumentProfile& ProfileOf(const Visit& visit) const {
    return visit.profile.notes.empty() ? Profile() : visit.profile;
  }
  /// The review that counts; nullptr: none, or the latest says kNone.
  [[nodiscard]] const Review* ReviewOf(std::int64_t visit_id, int midi) const;
  /// The tick that counts; nullptr: never ticked.
  [[nodiscard]] const WorkTick* TickOf(std::int64_t visit_id, int midi, WorkTask task) const;
};

/// Reads a record; a file of an older schema version is brought forward in memory alone and stays
/// as it is.
[[nodiscard]] Result<ServiceRecord> ReadServiceRecord(const std::filesystem::path& file);

/// The picture of a photo that was embedded, byte for byte: with what the phone wrote into it, such
/// as place and serial number. What is handed out goes through PictureWithoutMetadata.
[[nodiscard]] Result<std::string> ReadEmbeddedPhoto(const std::filesystem::path& file,
                                                    std::int64_t photo_id);
[[nodiscard]] Result<std::string> ReadAttachment(const std::filesystem::path& file,
                                                 std::int64_t attachment_id);

// Changing a record. Each function is one transaction; the id that comes back is the entry's.

/// What a visit (or a further damper state of it) is added from.
struct VisitEntry {
  std::string name;        ///< "as found 2024-05-02"
  std::string technician;  ///< initials
  std::string date;        ///< empty: today
  std::string profile_json;
  InstrumentProfile profile;  ///< what the JSON says
  DamperState damper = DamperState::kUnknown;
  /// The photos measured, in the order of measurement.photos, to keep their SHA-256.
  std::vector<std::filesystem::path> photos;
  bool embed_photos = false;  ///< keep the pictures themselves
  VisitMeasurement measurement;
};

/// Whether AddVisit could succeed: the record is missing (in a folder that exists) or is a sound
/// one, and has no visit of that name with photos in that damper state. The file is only read. For
/// use before the long work of measuring.
[[nodiscard]] Result<void> CheckVisitRecord(const std::filesystem::path& file,
                                            const std::string& visit_name, DamperState damper);

/// Adds a visit or, where the record has a visit of that name, its photos in another damper state.
/// A missing record is created, whole or not at all.
[[nodiscard]] Result<std::int64_t> AddVisit(const std::filesystem::path& file,
                                            const VisitEntry& visit);

/// Adds photos taken while the work goes on to the visit named `visit.name`, which must be there: a
/// set of their own, in any damper state, whose figures count from then on (MergeSets). Technician,
/// date and profile are those of the visit; what `visit` says of them is not looked at. Gives the
/// visit's id.
[[nodiscard]] Result<std::int64_t> AddFollowUp(const std::filesystem::path& file,
                                               const VisitEntry& visit);

/// Makes a new, empty record; fails where the file exists.
[[nodiscard]] Result<void> CreateServiceRecord(const std::filesystem::path& file,
                                               const InstrumentInfo& instrument = {});

[[nodiscard]] Result<void> SetInstrumentInfo(const std::filesystem::path& file,
                                             const InstrumentInfo& instrument);

// `id` and `stamp.recorded_utc` of the entry passed are ignored.
[[nodiscard]] Result<std::int64_t> AddFinding(const std::filesystem::path& file,
                                              const Finding& finding);
[[nodiscard]] Result<std::int64_t> AddWorkDone(const std::filesystem::path& file,
                                               const WorkDone& work);
[[nodiscard]] Result<std::int64_t> TickWork(const std::filesystem::path& file,
                                            const WorkTick& tick);
[[nodiscard]] Result<std::int64_t> SetReview(const std::filesystem::path& file,
                                             const Review& review);
[[nodiscard]] Result<std::int64_t> AddCorrection(const std::filesystem::path& file,
                                                 const Correction& correction);
/// `bytes` and `sha256` of the attachment are taken from `contents`.
[[nodiscard]] Result<std::int64_t> AddAttachment(const std::filesystem::path& file,
                                                 const Attachment& attachment,
                                                 const std::string& contents);

/// What is noted at the bench in one go: all of it or nothing. A missing record is made.
struct BenchNotes {
  std::vector<Finding> findings;
  std::vector<WorkDone> work_done;
  std::vector<WorkTick> ticks;
  std::optional<InstrumentInfo> instrument;  ///< takes the place of what is there
};
[[nodiscard]] Result<void> AddBenchNotes(const std::filesystem::path& file,
                                         const BenchNotes& notes);

enum class EntryKind { kFinding, kWorkDone, kTick, kReview, kCorrection, kAttachment };

/// Takes an entry out of what counts (undo), and puts it back (redo). It stays in the file.
[[nodiscard]] Result<void> WithdrawEntry(const std::filesystem::path& file, EntryKind kind,
                                         std::int64_t id);
[[nodiscard]] Result<void> RestoreEntry(const std::filesystem::path& file, EntryKind kind,
                                        std::int64_t id);

struct CopyOptions {
  bool embedded_photos = true;  ///< the embedded pictures too
};

/// What became of the pictures in a copy.
struct CopySummary {
  int pictures = 0;                   ///< embedded photos and attached JPEGs that went along
  std::vector<std::string> left_out;  ///< photos that can't be decoded, by name
};

/// Writes a compact copy to send, whole or not at all; refuses to write over an existing file. What
/// was deleted from the record (nothing is, but by other programs) does not go along, nor does what
/// a phone wrote into a picture beside its pixels: all pictures are encoded anew
/// (PictureWithoutMetadata), and one that can't be decoded is left out rather than trusted.
[[nodiscard]] Result<CopySummary> CopyServiceRecord(const std::filesystem::path& file,
                                                    const std::filesystem::path& copy,
                                                    const CopyOptions& options = {});

}  // namespace tinesight
