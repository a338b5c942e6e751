#include "viewer/photo_measurer.hpp"

#include <algorithm>
#include <exception>
#include <utility>

#include "alignment/measure_visit.hpp"
#include "vision/photo.hpp"

namespace tinesight {
namespace {

// Thrown out of the progress report to leave a job of many photos at the window's end.
struct Stopped {};

bool AnyMeasured(const VisitMeasurement& visit) {
  return std::any_of(visit.notes.begin(), visit.notes.end(),
                     [](const NoteMeasurement& note) { return note.lateral_mm.has_value(); });
}

std::vector<std::string> RefusedPhotos(const VisitMeasurement& visit) {
  std::vector<std::string> lines;
  for (const PhotoMeasurement& photo : visit.photos) {
    if (photo.used) continue;
    const std::string name = std::filesystem::path(photo.file).filename().string();
    std::string reason = photo.warnings.empty() ? "could not be used" : photo.warnings.front();
    if (reason.starts_with(photo.file)) reason = reason.substr(photo.file.size());
    lines.push_back(name + (reason.starts_with(':') ? "" : ": ") + reason);
  }
  return lines;
}

Result<void> Keep(const MeasureJob& job, const VisitMeasurement& measurement) {
  const MeasureTarget& target = job.target;
  VisitEntry entry;
  entry.name = target.visit;
  entry.technician = target.technician;
  entry.profile_json = job.setup->profile_json;
  entry.profile = job.setup->profile;
  entry.damper = job.setup->damper;
  entry.photos = job.photos;
  entry.embed_photos = target.embed;
  entry.measurement = measurement;
  const auto record = ReadServiceRecord(target.record);
  if (!record) return tl::unexpected(record.error());
  const auto kept = record->FindVisit(target.visit) != nullptr ? AddFollowUp(target.record, entry)
                                                               : AddVisit(target.record, entry);
  return kept ? Result<void>() : tl::unexpected(kept.error());
}

}  // namespace

MeasureOutcome MeasureAndKeep(MeasureJob job,
                              const std::function<void(double, std::string_view)>& progress) {
  MeasureOutcome outcome;
  outcome.job = std::move(job);
  if (outcome.job.photos.size() == 1) {
    // Alone, so that one that is still being copied can be told from one that shows no rig.
    if (const auto photo = ReadPhoto(outcome.job.photos.front()); !photo) {
      outcome.unreadable = true;
      outcome.problem = photo.error().message;
      return outcome;
    }
  }
  MeasureRequest request;
  request.photos = outcome.job.photos;
  request.camera = outcome.job.setup->camera;
  request.rig = outcome.job.setup->rig;
  request.profile = outcome.job.setup->profile;
  request.first_midi = outcome.job.setup->first_midi;
  request.damper = outcome.job.setup->damper;
  auto measured = MeasureVisit(request, progress);
  if (!measured) {
    outcome.problem = measured.error().message;
    return outcome;
  }
  outcome.measurement = std::move(*measured);
  outcome.refused = RefusedPhotos(outcome.measurement);
  if (!AnyMeasured(outcome.measurement)) {
    outcome.problem =
        outcome.refused.empty() ? "no note could be measured in it" : outcome.refused.front();
    return outcome;
  }
  if (outcome.job.target.record.empty()) return outcome;
  const auto kept = Keep(outcome.job, outcome.measurement);
  outcome.recorded = kept.has_value();
  if (!kept) outcome.problem = kept.error().message;
  return outcome;
}

PhotoMeasurer::PhotoMeasurer() : worker_([this] { Run(); }) {}

PhotoMeasurer::~PhotoMeasurer() {
  {
    const std::lock_guard lock(mutex_);
    stop_ = true;
  }
  wake_.notify_all();
  worker_.join();
}

void PhotoMeasurer::Add(MeasureJob job) {
  {
    const std::lock_guard lock(mutex_);
    waiting_.push_back(std::move(job));
  }
  wake_.notify_all();
}

std::vector<MeasureOutcome> PhotoMeasurer::Take() {
  const std::lock_guard lock(mutex_);
  return std::exchange(done_, {});
}

std::string PhotoMeasurer::Doing() const {
  const std::lock_guard lock(mutex_);
  return doing_;
}

void PhotoMeasurer::WaitUntilIdle() {
  std::unique_lock lock(mutex_);
  idle_.wait(lock, [this] { return !busy_ && waiting_.empty(); });
}

void PhotoMeasurer::Run() {
  std::unique_lock lock(mutex_);
  while (true) {
    wake_.wait(lock, [this] { return stop_ || !waiting_.empty(); });
    if (stop_) return;
    MeasureJob job = std::move(waiting_.front());
    waiting_.pop_front();
    busy_ = true;
    doing_ = job.photos.front().filename().string();
    lock.unlock();
    const auto progress = [this](double fraction, std::string_view stage) {
      const std::lock_guard inner(mutex_);
      doing_ = stage;
      if (stop_ && fraction > 0.0 && fraction < 0.9) throw Stopped{};
    };
    MeasureOutcome outcome;
    try {
      outcome = MeasureAndKeep(job, progress);
    } catch (const Stopped&) {
      return;
    } catch (const std::exception& error) {
      // The allocator, mostly: the window goes on.
      outcome.job = std::move(job);
      outcome.problem = std::string("the photo can't be measured: ") + error.what();
    }
    lock.lock();
    done_.push_back(std::move(outcome));
    busy_ = false;
    doing_.clear();
    idle_.notify_all();
  }
}

}  // namespace tinesight
