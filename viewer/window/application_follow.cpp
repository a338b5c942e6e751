// The window's part in following the screwdriver: what goes to the Follower, and what its news
// change on the screen.
#include <algorithm>
#include <utility>

#include "alignment/note_name.hpp"
#include "viewer/window/application.hpp"

namespace tinesight {
namespace {

namespace fs = std::filesystem;

bool KeepsPictures(const Visit& visit) {
  return std::any_of(visit.photos.begin(), visit.photos.end(),
                     [](const PhotoRecord& photo) { return photo.embedded_bytes > 0; });
}

}  // namespace

Result<void> Application::BeginAsRequested() {
  files_ = request_.measure;
  if (request_.watch.empty() && request_.new_photos.empty()) return {};
  if (files_.camera.empty() && files_.rig.empty()) {
    files_.camera = settings_.camera;
    files_.rig = settings_.rig;
  }
  if (!files_.Named()) {
    return Fail("to measure new photos, name the camera file and the rig file (--camera, --rig)");
  }
  if (auto setup = PrepareToMeasure(); !setup) return setup;
  if (!request_.watch.empty()) {
    if (auto watching = StartWatching(request_.watch); !watching) return watching;
  }
  return {};
}

std::pair<fs::path, std::int64_t> Application::ShownVisit() const {
  if (!session_) return {};
  return {session_->Record().file, session_->CurrentVisit().id};
}

Result<void> Application::PrepareToMeasure() {
  auto setup = ReadMeasureSetup(files_, session_ ? &session_->CurrentVisit() : nullptr);
  if (!setup) return tl::unexpected(setup.error());
  follower_.SetSetup(std::move(*setup));
  prepared_for_ = ShownVisit();
  settings_.camera = fs::absolute(files_.camera);
  settings_.rig = fs::absolute(files_.rig);
  if (!files_.instrument.empty()) settings_.instrument = fs::absolute(files_.instrument);
  return {};
}

Result<void> Application::StartWatching(const fs::path& folder) {
  if (auto watching = follower_.Watch(folder); !watching) return watching;
  settings_.watched = fs::absolute(folder);
  state_.large_type = true;
  state_.follow_news.clear();
  state_.follow_failed = false;
  return {};
}

MeasureTarget Application::Target() const {
  if (!session_ || !session_->KeepsDecisions()) return {};
  const Visit& visit = session_->CurrentVisit();
  return {session_->Record().file, FollowVisitName(visit, Today()), visit.technician,
          KeepsPictures(visit)};
}

// The command: ends it, or asks for the files and the folder.
void Application::ToggleFollow() {
  if (follower_.Watching()) {
    follower_.StopWatching();
    state_.message = "the folder is not watched any more";
    state_.message_is_failure = false;
    return;
  }
  AskForFiles(true);
}

void Application::AskForFiles(bool with_folder) {
  MeasureFiles files = files_;
  if (files.camera.empty()) files.camera = settings_.camera;
  if (files.rig.empty()) files.rig = settings_.rig;
  if (files.instrument.empty()) files.instrument = settings_.instrument;
  const bool has_instrument = session_ && !session_->CurrentVisit().profile_json.empty();
  follow_dialog_.Fill(files, settings_.watched, has_instrument, with_folder);
  state_.dialog = Dialog::kFollow;
}

void Application::DrawFollowDialog() {
  if (!follow_dialog_.Draw(theme_, state_)) return;
  files_ = follow_dialog_.Files();
  auto done = PrepareToMeasure();
  if (done && pending_photos_.empty()) done = StartWatching(follow_dialog_.Folder());
  if (!done) return follow_dialog_.SetProblem(done.error().message);
  if (!pending_photos_.empty()) follower_.Measure(std::exchange(pending_photos_, {}), Target());
  state_.dialog = Dialog::kNone;
}

bool Application::TakeDropped() {
  const auto dropped = window_->TakeDropped();
  std::vector<fs::path> photos;
  for (const std::string& file : dropped) {
    if (LooksLikePhotoName(file)) {
      photos.emplace_back(file);
    } else if (auto opened = Open(file); !opened) {
      Say(opened.error().message, true);
      if (!session_) open_problem_ = opened.error().message;
    }
  }
  if (photos.empty()) return !dropped.empty();
  if (follower_.HasSetup() || (files_.Named() && PrepareToMeasure())) {
    follower_.Measure(std::move(photos), Target());
  } else {
    pending_photos_ = std::move(photos);
    AskForFiles(false);
  }
  return true;
}

bool Application::Follow() {
  bool changed = false;
  // Another visit may have another profile or damper state.
  if (follower_.HasSetup() && prepared_for_ != ShownVisit()) {
    prepared_for_ = ShownVisit();
    if (auto prepared = PrepareToMeasure(); !prepared) {
      follower_.StopWatching();
      Say(prepared.error().message, true);
    }
  }
  for (FollowNews& news : follower_.Tick(window_->Now(), Target())) {
    changed = true;
    state_.follow_news = news.text;
    state_.follow_failed = news.failure;
    Say(news.text, news.failure);
    if (news.recorded) {
      if (auto shown = ShowNewer(news); !shown) Say(shown.error().message, true);
    } else if (news.unkept) {
      ShowUnkept(news);
    }
  }
  std::string status = follower_.Status();
  if (status != state_.follow_status) {
    state_.follow_status = std::move(status);
    changed = true;
  }
  return changed;
}

// The same record with the new photo in it; the selected note stays selected where it can.
Result<void> Application::ShowNewer(const FollowNews& news) {
  auto record = ReadServiceRecord(session_->Record().file);
  if (!record) return tl::unexpected(record.error());
  std::error_code code;
  record_time_ = fs::last_write_time(session_->Record().file, code);
  const int midi = session_->Midi();
  session_->TakeNewer(std::move(*record));
  const auto& visits = session_->Record().visits;
  for (std::size_t i = 0; i < visits.size(); ++i) {
    if (visits[i].name == news.visit && i != session_->VisitIndex()) session_->SelectVisit(i);
  }
  const bool seen = std::find(news.midis.begin(), news.midis.end(), midi) != news.midis.end();
  if (session_->CurrentVisit().Find(midi) == nullptr) {
    // The first photo of a new visit does not show the note: the worst of those that it shows.
    session_->SelectNote(session_->Flagged().empty() ? news.midis.front()
                                                     : session_->Flagged().front().midi);
  } else {
    session_->SelectNote(midi);
    if (!seen) state_.follow_news += "; " + DisplayName(midi) + " is not among them";
  }
  session_->SelectNewestPhoto();
  ShowSessionAnew();
  return {};
}

void Application::ShowUnkept(FollowNews& news) {
  const int midi = session_ ? session_->Midi() : 0;
  session_.emplace(DocumentOfMeasurement(news.photo, std::move(*news.unkept), follower_.Profile()));
  session_->SelectNote(midi);
  state_.at_photo.reset();
  state_.view_set = false;
  state_.follow_news += "; not kept, as no service record is open";
  Say(state_.follow_news, false);
  window_->SetTitle("photos, not kept – Tinesight");
  ShowSessionAnew();
}

void Application::ShowSessionAnew() {
  state_.zoomed_photo.reset();
  RebuildModel(*session_, state_);
  shelf_->SetVisit(*session_, request_.photos);
  shown_visit_ = session_->VisitIndex();
}

void Application::Say(const std::string& message, bool failure) {
  state_.message = message;
  state_.message_is_failure = failure;
}

}  // namespace tinesight
