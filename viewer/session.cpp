#include "viewer/session.hpp"

#include <algorithm>
#include <fstream>
#include <system_error>
#include <utility>

#include "alignment/note_name.hpp"
#include "record/result_json.hpp"
#include "viewer/photo_overlay.hpp"

namespace tinesight {
namespace {

namespace fs = std::filesystem;

bool StartsLikeSqlite(const fs::path& file) {
  std::string start(15, '\0');
  std::ifstream stream(file, std::ios::binary);
  stream.read(start.data(), static_cast<std::streamsize>(start.size()));
  return start == "SQLite format 3";
}

// A result as a record of one visit.
Document DocumentOfResult(const fs::path& file, VisitMeasurement measurement,
                          const InstrumentProfile* profile) {
  Document document;
  document.record.file = file;
  Visit visit;
  visit.name = file.stem().string();
  if (profile != nullptr) {
    visit.profile = *profile;
    visit.instrument = profile->name;
  }
  VisitSet set;
  if (!measurement.photos.empty()) set.damper = measurement.photos.front().damper;
  set.measurement = measurement;
  visit.sets.push_back(std::move(set));
  visit.photos.resize(measurement.photos.size());
  visit.measurement = std::move(measurement);
  document.record.visits.push_back(std::move(visit));
  return document;
}

template <typename T>
void EraseId(std::vector<T>& entries, std::int64_t id) {
  std::erase_if(entries, [id](const T& entry) { return entry.id == id; });
}

void EraseEntry(ServiceRecord& record, EntryKind kind, std::int64_t id) {
  switch (kind) {
    case EntryKind::kFinding:
      return EraseId(record.findings, id);
    case EntryKind::kWorkDone:
      return EraseId(record.work_done, id);
    case EntryKind::kTick:
      return EraseId(record.ticks, id);
    case EntryKind::kReview:
      return EraseId(record.reviews, id);
    case EntryKind::kCorrection:
      return EraseId(record.corrections, id);
    case EntryKind::kAttachment:
      return EraseId(record.attachments, id);
  }
}

}  // namespace

Result<Document> OpenDocument(const fs::path& file, const InstrumentProfile* profile) {
  std::error_code code;
  if (!fs::exists(file, code)) {
    return Fail(file.string() +
                ": there is no such file; give a service record (.tinerec) or a result of `tinesight "
                "measure --json`");
  }
  if (fs::path(file).extension() == ".json" && !StartsLikeSqlite(file)) {
    auto measurement = ReadResultJson(file);
    if (!measurement) return tl::unexpected(measurement.error());
    return DocumentOfResult(file, std::move(*measurement), profile);
  }
  auto record = ReadServiceRecord(file);
  if (!record) return tl::unexpected(record.error());
  if (record->visits.empty()) {
    return Fail(file.string() + ": the record has no visit yet; add one with `tinesight measure "
                                "PHOTO... --record " + file.filename().string() + " --visit NAME`");
  }
  return Document{std::move(*record), true};
}

fs::path FindPhotoFile(const std::string& recorded, const fs::path& document,
                       const fs::path& folder) {
  std::error_code code;
  const fs::path as_recorded(recorded);
  const fs::path name = as_recorded.filename();
  std::vector<fs::path> places;
  if (!folder.empty()) places.push_back(folder / name);
  places.push_back(as_recorded);
  if (as_recorded.is_relative()) places.push_back(document.parent_path() / as_recorded);
  places.push_back(document.parent_path() / name);
  for (const fs::path& place : places) {
    if (fs::is_regular_file(place, code)) return place;
  }
  return {};
}

Session::Session(Document document) : document_(std::move(document)) {
  const ServiceRecord& record = document_.record;
  SelectVisit(record.visits.size() - 1);
  SelectNote(!flagged_.empty()                             ? flagged_.front().midi
             : !CurrentVisit().measurement.notes.empty() ? CurrentVisit().measurement.notes.front().midi
                                                           : 0);
}

const Visit& Session::CurrentVisit() const { return document_.record.visits[visit_]; }

const Visit* Session::EarlierVisit() const {
  return visit_ == 0 ? nullptr : &document_.record.visits[visit_ - 1];
}

const InstrumentProfile* Session::Profile() const {
  if (!CurrentVisit().profile.notes.empty()) return &CurrentVisit().profile;
  const InstrumentProfile& latest = document_.record.Profile();
  return latest.notes.empty() ? nullptr : &latest;
}

void Session::SelectVisit(std::size_t index) {
  visit_ = std::min(index, document_.record.visits.size() - 1);
  photo_.reset();
  RefreshFlagged();
  RefreshPhotos();
}

void Session::RefreshFlagged() { flagged_ = FlaggedNotes(CurrentVisit().measurement, Profile()); }

void Session::RefreshPhotos() {
  photos_ = PhotosOfNote(CurrentVisit().measurement, midi_);
  const bool still_shown =
      photo_ && std::find(photos_.begin(), photos_.end(), *photo_) != photos_.end();
  if (still_shown) return;
  photo_.reset();
  if (!photos_.empty()) {
    photo_ = photos_.front();
    return;
  }
  // A note that no photo shows: any used one keeps the picture from going blank.
  const auto& all = CurrentVisit().measurement.photos;
  for (std::size_t i = 0; i < all.size() && !photo_; ++i) {
    if (all[i].used) photo_ = i;
  }
}

void Session::SelectNote(int midi) {
  if (CurrentVisit().Find(midi) == nullptr) return;
  midi_ = midi;
  RefreshPhotos();
}

void Session::StepNote(int step) {
  const auto& notes = CurrentVisit().measurement.notes;
  if (notes.empty()) return;
  const auto here = std::find_if(notes.begin(), notes.end(),
                                 [this](const NoteMeasurement& n) { return n.midi == midi_; });
  const auto last = static_cast<std::ptrdiff_t>(notes.size()) - 1;
  const std::ptrdiff_t index = here == notes.end() ? 0 : here - notes.begin() + step;
  SelectNote(notes[static_cast<std::size_t>(std::clamp<std::ptrdiff_t>(index, 0, last))].midi);
}

void Session::SelectPhoto(std::size_t index) {
  if (index < CurrentVisit().measurement.photos.size()) photo_ = index;
}

void Session::StepPhoto(int step) {
  if (photos_.empty()) return;
  const auto here = std::find(photos_.begin(), photos_.end(), photo_.value_or(photos_.front()));
  const auto count = static_cast<std::ptrdiff_t>(photos_.size());
  const std::ptrdiff_t index = here == photos_.end() ? 0 : here - photos_.begin() + step;
  photo_ = photos_[static_cast<std::size_t>(((index % count) + count) % count)];
}

ReviewState Session::ReviewOf(int midi) const {
  const Review* review = document_.record.ReviewOf(CurrentVisit().id, midi);
  return review != nullptr ? review->state : ReviewState::kNone;
}

std::size_t Session::ReviewedCount() const {
  return static_cast<std::size_t>(
      std::count_if(flagged_.begin(), flagged_.end(), [this](const FlaggedNote& note) {
        return ReviewOf(note.midi) != ReviewState::kNone;
      }));
}

void Session::StepFlagged(int step) {
  if (flagged_.empty()) return;
  const auto here = std::find_if(flagged_.begin(), flagged_.end(),
                                 [this](const FlaggedNote& n) { return n.midi == midi_; });
  const auto count = static_cast<std::ptrdiff_t>(flagged_.size());
  const std::ptrdiff_t index = here == flagged_.end() ? 0 : here - flagged_.begin() + step;
  SelectNote(flagged_[static_cast<std::size_t>(((index % count) + count) % count)].midi);
}

bool Session::NextUnreviewed() {
  const auto here = std::find_if(flagged_.begin(), flagged_.end(),
                                 [this](const FlaggedNote& n) { return n.midi == midi_; });
  const std::size_t start =
      here == flagged_.end() ? 0 : static_cast<std::size_t>(here - flagged_.begin()) + 1;
  for (std::size_t i = 0; i < flagged_.size(); ++i) {
    const FlaggedNote& note = flagged_[(start + i) % flagged_.size()];
    if (ReviewOf(note.midi) != ReviewState::kNone) continue;
    SelectNote(note.midi);
    return true;
  }
  return false;
}

Result<void> Session::RequireRecord() const {
  if (document_.keeps_decisions) return {};
  return Fail("a result file keeps no decisions: open a service record (.tinerec); `tinesight "
              "measure --record` makes one");
}

EntryStamp Session::Stamp() const { return {technician_, "", ""}; }

void Session::Keep(Entry entry) {
  entry.put_back(document_.record);
  undo_.push_back(std::move(entry));
  redo_.clear();
}

Result<void> Session::Decide(ReviewState state, const std::string& text) {
  if (auto record = RequireRecord(); !record) return record;
  if (Note() == nullptr) return Fail("no note is selected");
  Review review;
  review.visit_id = CurrentVisit().id;
  review.midi = midi_;
  review.state = state;
  review.text = text;
  review.stamp = Stamp();
  const auto id = SetReview(document_.record.file, review);
  if (!id) return tl::unexpected(id.error());
  review.id = *id;
  Keep({EntryKind::kReview, *id, NoteName(midi_) + ' ' + ReviewWord(state),
        [review](ServiceRecord& record) { record.reviews.push_back(review); }});
  return {};
}

Result<void> Session::AddFinding(Finding finding) {
  if (auto record = RequireRecord(); !record) return record;
  finding.stamp = Stamp();
  const auto id = tinesight::AddFinding(document_.record.file, finding);
  if (!id) return tl::unexpected(id.error());
  finding.id = *id;
  Keep({EntryKind::kFinding, *id, NoteName(finding.midi) + ' ' + FindingText(finding),
        [finding](ServiceRecord& record) { record.findings.push_back(finding); }});
  return {};
}

Result<void> Session::AddWork(const std::string& text) {
  if (auto record = RequireRecord(); !record) return record;
  WorkDone work;
  work.midi = midi_;
  work.text = text;
  work.stamp = Stamp();
  const auto id = AddWorkDone(document_.record.file, work);
  if (!id) return tl::unexpected(id.error());
  work.id = *id;
  Keep({EntryKind::kWorkDone, *id, NoteName(midi_) + " work: " + text,
        [work](ServiceRecord& record) { record.work_done.push_back(work); }});
  return {};
}

Result<void> Session::Attach(Attachment attachment, const std::string& contents) {
  if (auto record = RequireRecord(); !record) return record;
  attachment.visit_id = CurrentVisit().id;
  attachment.stamp = Stamp();
  const auto id = AddAttachment(document_.record.file, attachment, contents);
  if (!id) return tl::unexpected(id.error());
  attachment.id = *id;
  attachment.bytes = contents.size();
  Keep({EntryKind::kAttachment, *id, "picture " + attachment.name,
        [attachment](ServiceRecord& record) { record.attachments.push_back(attachment); }});
  return {};
}

Result<void> Session::Correct(Correction correction) {
  if (auto record = RequireRecord(); !record) return record;
  correction.stamp = Stamp();
  const auto id = AddCorrection(document_.record.file, correction);
  if (!id) return tl::unexpected(id.error());
  correction.id = *id;
  Keep({EntryKind::kCorrection, *id, NoteName(correction.midi) + " corrected by hand",
        [correction](ServiceRecord& record) { record.corrections.push_back(correction); }});
  return {};
}

Result<std::string> Session::Undo() {
  if (undo_.empty()) return Fail("nothing to undo");
  Entry entry = undo_.back();
  if (auto done = WithdrawEntry(document_.record.file, entry.kind, entry.id); !done) {
    return tl::unexpected(done.error());
  }
  EraseEntry(document_.record, entry.kind, entry.id);
  undo_.pop_back();
  redo_.push_back(entry);
  return "undone: " + entry.what;
}

Result<std::string> Session::Redo() {
  if (redo_.empty()) return Fail("nothing to redo");
  Entry entry = redo_.back();
  if (auto done = RestoreEntry(document_.record.file, entry.kind, entry.id); !done) {
    return tl::unexpected(done.error());
  }
  entry.put_back(document_.record);
  redo_.pop_back();
  undo_.push_back(entry);
  return "done again: " + entry.what;
}

std::string ReviewWord(ReviewState state) {
  switch (state) {
    case ReviewState::kAccepted:
      return "accepted";
    case ReviewState::kRejected:
      return "rejected";
    case ReviewState::kNeedsPhoto:
      return "needs another photo";
    case ReviewState::kNone:
      break;
  }
  return "not reviewed";
}

}  // namespace tinesight
