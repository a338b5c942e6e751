#include "viewer/follower.hpp"

#include <algorithm>
#include <ctime>
#include <utility>

#include "alignment/note_name.hpp"

namespace tinesight {
namespace {

namespace fs = std::filesystem;

constexpr double kLookEverySeconds = 0.4;

std::vector<int> MeasuredNotes(const VisitMeasurement& visit) {
  std::vector<int> midis;
  for (const NoteMeasurement& note : visit.notes) {
    if (note.lateral_mm) midis.push_back(note.midi);
  }
  std::sort(midis.begin(), midis.end());
  return midis;
}

std::string NamesOf(const std::vector<fs::path>& photos) {
  const std::string first = photos.front().filename().string();
  return photos.size() == 1 ? first : std::to_string(photos.size()) + " photos";
}

}  // namespace

void Follower::SetSetup(MeasureSetup setup) {
  setup_ = std::make_shared<const MeasureSetup>(std::move(setup));
}

Result<void> Follower::Watch(const fs::path& folder) {
  auto watch = FolderWatch::Start(folder);
  if (!watch) return tl::unexpected(watch.error());
  watch_ = std::move(*watch);
  first_unreadable_s_.clear();
  folder_failed_ = false;
  return {};
}

void Follower::Measure(std::vector<fs::path> photos, const MeasureTarget& target) {
  measurer_.Add({std::move(photos), setup_, target});
}

std::vector<FollowNews> Follower::Tick(double now_s, const MeasureTarget& target) {
  std::vector<FollowNews> news;
  if (watch_ && setup_ && now_s >= next_look_s_) {
    next_look_s_ = now_s + kLookEverySeconds;
    const auto photos = watch_->Look(now_s);
    if (!photos && !folder_failed_) {
      FollowNews failure;
      failure.text = photos.error().message;
      failure.failure = true;
      news.push_back(std::move(failure));
    }
    folder_failed_ = !photos;
    if (photos) {
      for (const fs::path& photo : *photos) Measure({photo}, target);
    }
  }
  for (MeasureOutcome& outcome : measurer_.Take()) {
    if (auto item = NewsOf(outcome, now_s)) news.push_back(std::move(*item));
  }
  return news;
}

std::optional<FollowNews> Follower::NewsOf(MeasureOutcome& outcome, double now_s) {
  const fs::path& photo = outcome.job.photos.front();
  if (outcome.unreadable && watch_) {
    // Perhaps the rest is still to come; the watch tells it again, and once more when it grows.
    const double first_s = first_unreadable_s_.try_emplace(photo, now_s).first->second;
    if (now_s - first_s < kPatienceSeconds) {
      watch_->Forget(photo, now_s);
      return std::nullopt;
    }
  }
  first_unreadable_s_.erase(photo);
  FollowNews news;
  news.photo = photo;
  news.recorded = outcome.recorded;
  news.visit = outcome.job.target.visit;
  if (!outcome.problem.empty()) {
    news.failure = true;
    const std::string path = photo.string();
    news.text = outcome.problem.starts_with(path)
                    ? outcome.problem.substr(path.size() - photo.filename().string().size())
                    : outcome.problem;
    if (!news.text.starts_with(photo.filename().string())) {
      news.text = NamesOf(outcome.job.photos) + ": " + news.text;
    }
    return news;
  }
  news.midis = MeasuredNotes(outcome.measurement);
  news.text = NamesOf(outcome.job.photos) + ": measured " + NoteName(news.midis.front()) + " to " +
              NoteName(news.midis.back());
  for (const std::string& line : outcome.refused) news.text += "; not used: " + line;
  if (!outcome.recorded) news.unkept = std::move(outcome.measurement);
  return news;
}

std::string Follower::Status() const {
  const std::string doing = measurer_.Doing();
  if (!doing.empty()) return "measuring " + doing + " …";
  return watch_ ? "watching " + watch_->Folder().string() : "";
}

std::string FollowVisitName(const Visit& visit, const std::string& today) {
  return visit.kind == VisitKind::kAsFound ? "as left " + today : visit.name;
}

std::string Today() {
  const std::time_t now = std::time(nullptr);
  std::tm local{};
  ::localtime_r(&now, &local);
  std::string text(10, ' ');
  (void)std::strftime(text.data(), text.size() + 1, "%Y-%m-%d", &local);
  return text;
}

}  // namespace tinesight
