#include "viewer/session.hpp"

#include <algorithm>
#include <fstream>
#include <nlohmann/json.hpp>
#include <system_error>
#include <utility>

#include "alignment/hand_solve.hpp"
#include "alignment/note_name.hpp"
#include "record/photo_places.hpp"
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

Document DocumentOfMeasurement(const fs::path& file, VisitMeasurement measurement,
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

Result<Document> OpenDocument(const fs::path& file, const InstrumentProfile* profile) {
  std::error_code code;
  if (!fs::exists(file, code)) {
    return Fail(
        file.string() +
        ": there is no such file; give a service record (.tinerec) or a result of `tinesight "
        "measure --json`");
  }
  if (fs::path(file).extension() == ".json" && !StartsLikeSqlite(file)) {
    auto measurement = ReadResultJson(file);
    if (!measurement) return tl::unexpected(measurement.error());
    return DocumentOfMeasurement(file, std::move(*measurement), profile);
  }
  auto record = ReadServiceRecord(file);
  if (!record) return tl::unexpected(record.error());
  if (record->visits.empty()) {
    return Fail(file.string() +
                ": the record has no visit yet; add one with `tinesight measure "
                "PHOTO... --record " +
                file.filename().string() + " --visit NAME`");
  }
  return Document{std::move(*record), true};
}

fs::path FindPhotoFile(const std::string& recorded, const fs::path& document,
                       const fs::path& folder) {
  std::error_code code;
  std::vector<fs::path> places = PhotoPlaces(recorded, document);
  if (!folder.empty()) places.insert(places.begin(), folder / fs::path(recorded).filename());
  for (const fs::path& place : places) {
    if (fs::is_regular_file(place, code)) return place;
  }
  return {};
}

Session::Session(Document document) : document_(std::move(document)) {
  const ServiceRecord& record = document_.record;
  SelectVisit(record.visits.size() - 1);
  SelectNote(!flagged_.empty() ? flagged_.front().midi
             : !CurrentVisit().measurement.notes.empty()
                 ? CurrentVisit().measurement.notes.front().midi
                 : 0);
}

void Session::TakeNewer(ServiceRecord record) {
  const std::int64_t visit = CurrentVisit().id;
  document_.record = std::move(record);
  as_measured_.clear();
  const auto& visits = document_.record.visits;
  const auto same =
      std::find_if(visits.begin(), visits.end(), [visit](const Visit& v) { return v.id == visit; });
  visit_ =
      same != visits.end() ? static_cast<std::size_t>(same - visits.begin()) : visits.size() - 1;
  ApplyByHand();
  RefreshFlagged();
  RefreshPhotos();
}

void Session::SelectNewestPhoto() {
  if (!photos_.empty()) photo_ = *std::max_element(photos_.begin(), photos_.end());
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
  ApplyByHand();
  RefreshFlagged();
  RefreshPhotos();
}

void Session::RefreshFlagged() { flagged_ = FlaggedNotes(CurrentVisit().measurement, Profile()); }

void Session::RefreshPhotos() {
  photos_ = PhotosOfNote(CurrentVisit().measurement, midi_);
  // What was taken while the work went on comes first, the newest before all.
  const Visit& visit = CurrentVisit();
  const auto age = [&](std::size_t photo) {
    return visit.sets[visit.photos[photo].set].follow_up ? visit.photos[photo].set + 1 : 0;
  };
  std::stable_sort(photos_.begin(), photos_.end(),
                   [&](std::size_t a, std::size_t b) { return age(a) > age(b); });
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
  return static_cast<std::size_t>(std::count_if(
      flagged_.begin(), flagged_.end(),
      [this](const FlaggedNote& note) { return ReviewOf(note.midi) != ReviewState::kNone; }));
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
  return Fail(
      "a result file keeps no decisions: open a service record (.tinerec); `tinesight "
      "measure --record` makes one");
}

EntryStamp Session::Stamp() const { return {technician_, "", ""}; }

void Session::Keep(Entry entry) {
  entry.put_back(document_.record);
  if (entry.kind == EntryKind::kCorrection) {
    ApplyByHand();
    RefreshFlagged();
  }
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

const Correction* Session::LatestCorrection(std::size_t photo, int midi) const {
  const Visit& visit = CurrentVisit();
  if (photo >= visit.photos.size()) return nullptr;
  const Correction* latest = nullptr;
  for (const Correction& correction : document_.record.corrections) {
    if (correction.photo_id == visit.photos[photo].id && correction.midi == midi) {
      latest = &correction;
    }
  }
  return latest;
}

std::optional<HandMark> Session::MarkOf(std::size_t photo) const {
  const Correction* correction = LatestCorrection(photo, midi_);
  return correction != nullptr ? ReadHandMark(correction->payload_json) : std::nullopt;
}

bool Session::PlacedByHand(int midi) const { return as_measured_.contains({visit_, midi}); }

// The current visit's notes with what was placed by hand, from the measured ones each time, so that
// nothing is left of a placement that was taken back.
void Session::ApplyByHand() {
  Visit& visit = document_.record.visits[visit_];
  const auto replace = [](VisitMeasurement& measurement, const NoteMeasurement& from,
                          const NoteMeasurement& to) {
    for (NoteMeasurement& note : measurement.notes) {
      // Sets of other damper states have figures and a frame of their own.
      if (note.midi == from.midi && note.root_harp_mm == from.root_harp_mm) note = to;
    }
  };
  const auto replace_everywhere = [&](const NoteMeasurement& from, const NoteMeasurement& to) {
    for (VisitSet& set : visit.sets) replace(set.measurement, from, to);
    replace(visit.measurement, from, to);
  };
  for (auto it = as_measured_.begin(); it != as_measured_.end();) {
    const NoteMeasurement* now = it->first.first == visit_ ? visit.Find(it->first.second) : nullptr;
    if (now == nullptr) {
      ++it;
      continue;
    }
    replace_everywhere(NoteMeasurement(*now), it->second);
    it = as_measured_.erase(it);
  }
  const InstrumentProfile* profile = Profile();
  if (profile == nullptr) return;
  const std::vector<NoteMeasurement> notes = visit.measurement.notes;
  for (const NoteMeasurement& note : notes) {
    std::vector<HandPlacement> placements;
    for (std::size_t i = 0; i < visit.photos.size(); ++i) {
      const Correction* correction = LatestCorrection(i, note.midi);
      const auto mark =
          correction != nullptr ? ReadHandMark(correction->payload_json) : std::nullopt;
      if (!mark || !visit.measurement.photos[i].used) continue;
      // A photo of another set shows another state of the note.
      const auto& of_photo = visit.MeasurementOfPhoto(i).notes;
      const bool same_solve = std::any_of(of_photo.begin(), of_photo.end(), [&](const auto& n) {
        return n.midi == note.midi && n.root_harp_mm == note.root_harp_mm;
      });
      if (!same_solve) continue;
      const PhotoMeasurement& photo = visit.measurement.photos[i];
      placements.push_back({photo.camera, photo.camera_from_harp, mark->axis_px, mark->pickup_px});
    }
    if (placements.empty()) continue;
    const auto solved = SolveByHand(note, *profile, placements);
    if (!solved) continue;
    as_measured_.insert_or_assign({visit_, note.midi}, note);
    replace_everywhere(note, *solved);
  }
}

Result<void> Session::PlaceByHand(std::size_t photo, const HandMark& mark) {
  if (auto record = RequireRecord(); !record) return record;
  const NoteMeasurement* note = Note();
  const Visit& visit = CurrentVisit();
  if (note == nullptr || !note->lateral_mm || photo >= visit.photos.size()) {
    return Fail("this note was not measured: photograph it again");
  }
  if (Profile() == nullptr) return Fail("the record has no instrument profile to solve with");
  Correction correction;
  correction.photo_id = visit.photos[photo].id;
  correction.midi = midi_;
  correction.payload_json = HandMarkJson(mark);
  correction.stamp = Stamp();
  const auto id = AddCorrection(document_.record.file, correction);
  if (!id) return tl::unexpected(id.error());
  correction.id = *id;
  Keep({EntryKind::kCorrection, *id, NoteName(midi_) + " placed by hand",
        [correction](ServiceRecord& record) { record.corrections.push_back(correction); }});
  return {};
}

Result<void> Session::ResetByHand() {
  if (auto record = RequireRecord(); !record) return record;
  std::vector<Entry> entries;
  for (const Correction& correction : document_.record.corrections) {
    const bool here =
        std::any_of(CurrentVisit().photos.begin(), CurrentVisit().photos.end(),
                    [&](const PhotoRecord& photo) { return photo.id == correction.photo_id; });
    if (!here || correction.midi != midi_) continue;
    entries.push_back(
        {EntryKind::kCorrection, correction.id, NoteName(midi_) + " back to what was measured",
         [correction](ServiceRecord& record) { record.corrections.push_back(correction); }, true});
  }
  if (entries.empty()) return Fail(NoteName(midi_) + ": nothing was placed by hand");
  for (Entry& entry : entries) {
    if (auto done = TakeOut(entry); !done) return done;
    undo_.push_back(std::move(entry));
  }
  redo_.clear();
  return {};
}

Result<void> Session::Enter(const Entry& entry) {
  if (auto done = RestoreEntry(document_.record.file, entry.kind, entry.id); !done) return done;
  entry.put_back(document_.record);
  ApplyByHand();
  RefreshFlagged();
  return {};
}

Result<void> Session::TakeOut(const Entry& entry) {
  if (auto done = WithdrawEntry(document_.record.file, entry.kind, entry.id); !done) return done;
  EraseEntry(document_.record, entry.kind, entry.id);
  ApplyByHand();
  RefreshFlagged();
  return {};
}

Result<std::string> Session::Undo() {
  if (undo_.empty()) return Fail("nothing to undo");
  const Entry entry = undo_.back();
  if (auto done = entry.withdrawal ? Enter(entry) : TakeOut(entry); !done) {
    return tl::unexpected(done.error());
  }
  undo_.pop_back();
  redo_.push_back(entry);
  return "undone: " + entry.what;
}

Result<std::string> Session::Redo() {
  if (redo_.empty()) return Fail("nothing to redo");
  const Entry entry = redo_.back();
  if (auto done = entry.withdrawal ? TakeOut(entry) : Enter(entry); !done) {
    return tl::unexpected(done.error());
  }
  redo_.pop_back();
  undo_.push_back(entry);
  return "done again: " + entry.what;
}

std::string HandMarkJson(const HandMark& mark) {
  const auto place = [](const Eigen::Vector2d& p) { return nlohmann::json{p.x(), p.y()}; };
  nlohmann::json json = {{"axis_px", {place(mark.axis_px[0]), place(mark.axis_px[1])}}};
  if (mark.pickup_px) json["pickup_px"] = place(*mark.pickup_px);
  return json.dump();
}

std::optional<HandMark> ReadHandMark(const std::string& json) {
  try {
    const nlohmann::json parsed = nlohmann::json::parse(json);
    const auto place = [](const nlohmann::json& p) {
      return Eigen::Vector2d(p.at(0).get<double>(), p.at(1).get<double>());
    };
    HandMark mark;
    mark.axis_px = {place(parsed.at("axis_px").at(0)), place(parsed.at("axis_px").at(1))};
    if (parsed.contains("pickup_px")) mark.pickup_px = place(parsed.at("pickup_px"));
    return mark;
  } catch (const nlohmann::json::exception&) {
    return std::nullopt;  // of another program, or of a later one of ours
  }
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
