#include "alignment/measure_visit.hpp"

#include <algorithm>
#include <cmath>
#include <map>
#include <numbers>

#include "alignment/harp_solve.hpp"
#include "alignment/judge_notes.hpp"
#include "alignment/note_name.hpp"
#include "alignment/photo_stage.hpp"
#include "vision/row_trend.hpp"

namespace tinesight {
namespace {

/// Whether two photos were taken with the rig clamped in the same place: the pickups they share
/// stand at the same places of the rig frame.
bool SamePlacement(const StagedPhoto& a, const StagedPhoto& b) {
  constexpr double kMoved = 3.0;  // mm; a clamp that slipped less is taken up by the notes' priors
  std::vector<double> dx;
  std::vector<double> dy;
  for (const auto& [midi, place] : a.pickup_plane_mm) {
    const auto other = b.pickup_plane_mm.find(midi);
    if (other == b.pickup_plane_mm.end()) continue;
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

/// Where the harp stands in the rig frame, near enough to start the solve: the row's place and
/// slope as seen in the plane of the pickups.
Eigen::Isometry3d StartOfPlacement(const std::vector<StagedPhoto>& photos, int placement,
                                   const InstrumentProfile& profile) {
  std::vector<double> slopes;
  std::vector<double> x;
  std::vector<double> y;
  const auto along = [&](int midi) {
    return profile.note_spacing_mm * (midi - profile.FirstMidi());
  };
  for (const StagedPhoto& photo : photos) {
    if (photo.observations.placement != placement || photo.pickup_plane_mm.size() < 2) continue;
    const auto& [first_midi, first] = *photo.pickup_plane_mm.begin();
    const auto& [last_midi, last] = *photo.pickup_plane_mm.rbegin();
    slopes.push_back((last.y() - first.y()) / (last.x() - first.x()));
  }
  const double slope = slopes.empty() ? 0.0 : MedianOf(slopes);
  for (const StagedPhoto& photo : photos) {
    if (photo.observations.placement != placement) continue;
    for (const auto& [midi, place] : photo.pickup_plane_mm) {
      x.push_back(place.x() - along(midi) * std::cos(std::atan(slope)));
      y.push_back(place.y() - along(midi) * std::sin(std::atan(slope)));
    }
  }
  Eigen::Isometry3d rig_from_harp = Eigen::Isometry3d::Identity();
  rig_from_harp.linear() =
      Eigen::AngleAxisd(std::atan(slope), Eigen::Vector3d::UnitZ()).toRotationMatrix();
  rig_from_harp.translation() = Eigen::Vector3d(MedianOf(x), MedianOf(y), 0.0);
  return rig_from_harp;
}

void ReportPhotos(const std::vector<StagedPhoto>& staged, const HarpSolution& solution,
                  VisitMeasurement& visit) {
  for (std::size_t i = 0; i < staged.size(); ++i) {
    PhotoMeasurement& photo = visit.photos[staged[i].request_index];
    photo.used = true;
    photo.camera = solution.cameras[i];
    photo.camera_from_harp = solution.camera_from_harp[i];
    for (const NoteObservation& note : staged[i].observations.notes) {
      if (note.axis.size() >= 2) photo.notes.push_back(note.midi);
    }
  }
}

}  // namespace

Result<VisitMeasurement> MeasureVisit(const MeasureRequest& request, const ProgressFn& progress) {
  VisitMeasurement visit;
  std::vector<StagedPhoto> staged;
  for (std::size_t i = 0; i < request.photos.size(); ++i) {
    if (progress) {
      progress(0.9 * static_cast<double>(i) / static_cast<double>(request.photos.size()),
               request.photos[i].filename().string());
    }
    PhotoMeasurement photo;
    photo.file = request.photos[i].string();
    photo.damper = request.damper;
    auto stage = StagePhoto(request, i, photo);
    if (stage) {
      staged.push_back(std::move(*stage));
    } else {
      photo.warnings.insert(photo.warnings.begin(), stage.error().message);
    }
    visit.photos.push_back(std::move(photo));
  }
  if (staged.empty()) return visit;

  if (progress) progress(0.9, "solving all photos together");
  const int placements = AssignPlacements(staged);
  std::vector<Eigen::Isometry3d> rig_from_harp;
  rig_from_harp.reserve(static_cast<std::size_t>(placements));
  for (int k = 0; k < placements; ++k) {
    rig_from_harp.push_back(StartOfPlacement(staged, k, request.profile));
  }
  std::vector<PhotoObservations> observations;
  observations.reserve(staged.size());
  for (const StagedPhoto& photo : staged) observations.push_back(photo.observations);
  const auto solution = SolveHarp(observations, request.profile, rig_from_harp);
  if (!solution) return tl::unexpected<Error>(solution.error());
  ReportPhotos(staged, *solution, visit);
  visit.notes = JudgeNotes(observations, *solution, request.profile, request.damper);
  if (progress) progress(1.0, "done");
  return visit;
}

}  // namespace tinesight
