#include "alignment/measure_visit.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <deque>
#include <future>
#include <map>
#include <numbers>
#include <thread>

#include "alignment/harp_solve.hpp"
#include "alignment/judge_notes.hpp"
#include "alignment/note_name.hpp"
#include "alignment/photo_stage.hpp"
#include "alignment/second_look.hpp"
#include "calibration/median.hpp"
#include "vision/repeated_photos.hpp"

namespace tinesight {
namespace {

/// Whether two photos were taken with the rig clamped in the same place: the pickups they share
/// stand at the same places of the rig frame.
bool SamePlacement(const StagedPhoto& a, const StagedPhoto& b) {
  constexpr double kMoved = 3.0;  // mm; a clamp that slipped less is taken up by the notes' priors
  std::vector<double> dx;
  std::vector<double> dy;
  for (const auto& [midi, place] : a.pickup_rig_mm) {
    const auto other = b.pickup_rig_mm.find(midi);
    if (other == b.pickup_rig_mm.end()) continue;
    dx.push_back(place.x() - other->second.x());
    dy.push_back(place.y() - other->second.y());
  }
  return dx.size() >= 3 && std::abs(MedianOf(dx)) < kMoved && std::abs(MedianOf(dy)) < kMoved;
}

/// Gives every photo the number of its placement.
int AssignPlacements(std::vector<StagedPhoto>& photos) {
  int placements = 0;
  for (std::size_t i = 0; i < photos.size(); ++i) {
    photos[i].observations.placement = -1;
    for (std::size_t j = 0; j < i; ++j) {
      if (SamePlacement(photos[i], photos[j])) {
        photos[i].observations.placement = photos[j].observations.placement;
        break;
      }
    }
    if (photos[i].observations.placement < 0) photos[i].observations.placement = placements++;
  }
  return placements;
}

/// Where the harp stands in the rig frame, near enough to start the solve: turned as the photo
/// with the most pickups shows it, its pickups in the middle of where all photos show them.
Eigen::Isometry3d StartOfPlacement(const std::vector<StagedPhoto>& photos, int placement,
                                   const InstrumentProfile& profile) {
  Eigen::Isometry3d rig_from_harp = Eigen::Isometry3d::Identity();
  std::size_t most = 0;
  for (const StagedPhoto& photo : photos) {
    if (photo.observations.placement != placement || photo.pickup_rig_mm.size() <= most) continue;
    most = photo.pickup_rig_mm.size();
    rig_from_harp.linear() = photo.rig_from_harp.linear();
  }
  std::array<std::vector<double>, 3> origin;
  for (const StagedPhoto& photo : photos) {
    if (photo.observations.placement != placement) continue;
    for (const auto& [midi, at] : photo.pickup_rig_mm) {
      const double along = profile.note_spacing_mm * (midi - profile.FirstMidi());
      const Eigen::Vector3d o = at - along * rig_from_harp.linear().col(0);
      for (int k = 0; k < 3; ++k) origin[static_cast<std::size_t>(k)].push_back(o(k));
    }
  }
  rig_from_harp.translation() =
      Eigen::Vector3d(MedianOf(origin[0]), MedianOf(origin[1]), MedianOf(origin[2]));
  return rig_from_harp;
}

struct PhotoWork {
  PhotoMeasurement report;
  Result<StagedPhoto> staged;
};

/// `repeated`: the photo of the request that this one is a copy of.
PhotoWork WorkOn(const MeasureRequest& request, std::size_t index,
                 std::optional<std::size_t> repeated) {
  PhotoMeasurement report;
  report.file = request.photos[index].string();
  report.damper = request.damper;
  if (repeated) {
    return {std::move(report),
            Fail("the same photo as " + request.photos[*repeated].string() + "; left out")};
  }
  auto staged = StagePhoto(request, index, report);
  return {std::move(report), std::move(staged)};
}

/// Works on several photos at a time and hands over what `work` makes of each one by one, in order.
template <typename T>
class PhotoWorkers {
 public:
  PhotoWorkers(std::size_t count, std::function<T(std::size_t)> work)
      : count_(count), work_(std::move(work)) {
    const std::size_t at_a_time = std::clamp(std::thread::hardware_concurrency(), 1U, kMostAtATime);
    for (std::size_t i = 0; i < at_a_time; ++i) Begin();
  }

  /// Waits for the next one. Not to be called more than `count` times.
  [[nodiscard]] T Next() {
    T done = running_.front().get();
    running_.pop_front();
    Begin();
    return done;
  }

 private:
  /// A photo of 12 megapixels takes some 120 MB while it is worked on.
  static constexpr unsigned kMostAtATime = 4;

  void Begin() {
    if (begun_ == count_) return;
    running_.push_back(std::async(std::launch::async, work_, begun_++));
  }

  std::size_t count_;
  std::function<T(std::size_t)> work_;
  std::size_t begun_ = 0;
  std::deque<std::future<T>> running_;
};

/// Tells how far a stage is that takes the work from one fraction to another.
struct Stage {
  const ProgressFn& progress;
  double from;
  double to;
  void Tell(std::size_t done, std::size_t count, const std::string& what) const {
    if (!progress) return;
    progress(from + (to - from) * static_cast<double>(done) / static_cast<double>(count), what);
  }
};

/// Every photo alone. Those that can't be used are in the report only.
std::vector<StagedPhoto> StagePhotos(const MeasureRequest& request, const Stage& stage,
                                     VisitMeasurement& visit) {
  std::vector<StagedPhoto> staged;
  const std::size_t count = request.photos.size();
  const std::vector<std::optional<std::size_t>> repeated = RepeatedPhotos(request.photos);
  PhotoWorkers<PhotoWork> workers(count,
                                  [&](std::size_t i) { return WorkOn(request, i, repeated[i]); });
  for (std::size_t i = 0; i < count; ++i) {
    stage.Tell(i, count, request.photos[i].filename().string());
    PhotoWork work = workers.Next();
    if (work.staged) {
      staged.push_back(std::move(*work.staged));
    } else {
      work.report.warnings.insert(work.report.warnings.begin(), work.staged.error().message);
    }
    visit.photos.push_back(std::move(work.report));
  }
  return staged;
}

/// What is seen of all photos at a second look, from where `solution` says that everything is.
std::vector<PhotoObservations> LookAgainAtAll(const MeasureRequest& request,
                                              const std::vector<StagedPhoto>& staged,
                                              const std::vector<PhotoObservations>& observations,
                                              const HarpSolution& solution, const Stage& stage,
                                              VisitMeasurement& visit) {
  std::vector<PhotoObservations> again = observations;
  PhotoWorkers<SecondLook> workers(staged.size(), [&](std::size_t i) {
    return LookAgain(request, staged, observations, solution, i);
  });
  for (std::size_t i = 0; i < staged.size(); ++i) {
    const auto& file = request.photos[staged[i].request_index];
    stage.Tell(i, staged.size(), file.filename().string() + " again");
    SecondLook look = workers.Next();
    again[i].notes = std::move(look.notes);
    auto& warnings = visit.photos[staged[i].request_index].warnings;
    warnings.insert(warnings.end(), look.warnings.begin(), look.warnings.end());
  }
  return again;
}

void ReportPhotos(const std::vector<StagedPhoto>& staged,
                  const std::vector<PhotoObservations>& observations, const HarpSolution& solution,
                  VisitMeasurement& visit) {
  for (std::size_t i = 0; i < staged.size(); ++i) {
    PhotoMeasurement& photo = visit.photos[staged[i].request_index];
    photo.used = true;
    photo.camera = solution.cameras[i];
    photo.camera_from_harp = solution.camera_from_harp[i];
    for (const NoteObservation& note : observations[i].notes) {
      if (note.axis.size() >= 2) photo.notes.push_back(note.midi);
    }
  }
}

/// Photos of two harps, with a wrong card, or before and after a screw was turned, are averaged
/// like any others. What they show then fits together badly.
void TellIfPhotosDisagree(const HarpSolution& solution, VisitMeasurement& visit) {
  // Whitened residuals: 0.30 to 0.51 on rendered photos of three looks that belong together, 0.72
  // to 2.4 on pairs of two harps or with a wrong card.
  constexpr double kMostUsual = 0.65;
  const auto used = [](const PhotoMeasurement& photo) { return photo.used; };
  const auto first = std::find_if(visit.photos.begin(), visit.photos.end(), used);
  const bool several = std::count_if(visit.photos.begin(), visit.photos.end(), used) > 1;
  if (!several || solution.variance_factor <= kMostUsual) return;
  first->warnings.emplace_back(
      "the photos of this visit fit together worse than usual, and the stated uncertainties may be "
      "too small: look whether all show the same harp, cards hang over their notes, and nothing "
      "was turned between them");
}

}  // namespace

Result<VisitMeasurement> MeasureVisit(const MeasureRequest& request, const ProgressFn& progress) {
  VisitMeasurement visit;
  std::vector<StagedPhoto> staged = StagePhotos(request, {progress, 0.0, 0.5}, visit);
  if (staged.empty()) return visit;

  const int placements = AssignPlacements(staged);
  std::vector<Eigen::Isometry3d> rig_from_harp;
  rig_from_harp.reserve(static_cast<std::size_t>(placements));
  for (int k = 0; k < placements; ++k) {
    rig_from_harp.push_back(StartOfPlacement(staged, k, request.profile));
  }
  std::vector<PhotoObservations> observations;
  observations.reserve(staged.size());
  for (const StagedPhoto& photo : staged) observations.push_back(photo.observations);
  const auto first = SolveHarp(observations, request.profile, rig_from_harp);
  if (!first) return tl::unexpected<Error>(first.error());

  observations = LookAgainAtAll(request, staged, observations, *first, {progress, 0.5, 0.9}, visit);
  if (progress) progress(0.9, "solving all photos together");
  const auto solution = SolveHarp(observations, request.profile, rig_from_harp);
  if (!solution) return tl::unexpected<Error>(solution.error());
  ReportPhotos(staged, observations, *solution, visit);
  TellIfPhotosDisagree(*solution, visit);
  visit.notes = JudgeNotes(observations, *solution, request.profile, request.damper);
  if (progress) progress(1.0, "done");
  return visit;
}

}  // namespace tinesight
