#include "viewer/window/photo_shelf.hpp"

#include <algorithm>
#include <utility>
#include <vector>

#include "viewer/photo_overlay.hpp"

namespace tinesight {
namespace {

constexpr std::size_t kCropsKept = 40;

// The pickup end of each note in view, with as much about it as tells tine and pole tip apart.
std::vector<PhotoJob::Cut> CutsOf(const PhotoMeasurement& photo, const VisitMeasurement& visit) {
  constexpr double kHalfSideMm = 8.0;
  std::vector<PhotoJob::Cut> cuts;
  for (const NoteMeasurement& note : visit.notes) {
    const bool seen =
        std::find(photo.notes.begin(), photo.notes.end(), note.midi) != photo.notes.end();
    if (!seen || !note.lateral_mm) continue;
    const Eigen::Vector3d middle = 0.35 * note.tip_harp_mm + 0.65 * note.pickup_harp_mm;
    const auto center = ProjectUndistorted(photo, middle);
    const double depth_mm = (photo.camera_from_harp * middle).z();
    if (!center || !(depth_mm > 1.0)) continue;
    cuts.push_back({note.midi, center->x(), center->y(),
                    std::min(400.0, kHalfSideMm * photo.camera.fx_px / depth_mm)});
  }
  return cuts;
}

}  // namespace

void PhotoShelf::SetVisit(const Session& session, const std::filesystem::path& folder) {
  const Visit& visit = session.CurrentVisit();
  std::vector<PhotoJob> jobs;
  for (std::size_t i = 0; i < visit.measurement.photos.size(); ++i) {
    const PhotoMeasurement& photo = visit.measurement.photos[i];
    PhotoJob job;
    job.camera = photo.camera;
    job.name = photo.file;
    if (photo.used) {
      if (i < visit.photos.size() && visit.photos[i].embedded_bytes > 0) {
        job.kept = PhotoJob::Kept{session.Record().file, visit.photos[i].id};
      }
      job.file = FindPhotoFile(photo.file, session.Record().file, folder);
      job.cuts = CutsOf(photo, visit.MeasurementOfPhoto(i));
    }
    jobs.push_back(std::move(job));
  }
  crops_.clear();
  shown_.Clear();
  shown_index_.reset();
  store_.Reset(std::move(jobs));
}

void PhotoShelf::Want(const Session& session) {
  store_.Prefer(session.PhotosOfSelection());
  if (session.PhotoIndex() == shown_index_) return;
  shown_index_ = session.PhotoIndex();
  shown_.Clear();
  if (shown_index_) store_.Show(*shown_index_);
}

bool PhotoShelf::Update(const Session& session) {
  Want(session);
  bool changed = std::exchange(seen_changes_, store_.Changes()) != store_.Changes();
  if (shown_.Advance()) return true;
  if (!shown_index_) return changed;
  if (auto picture = store_.TakePicture(*shown_index_)) {
    shown_.Begin(std::move(picture));
    changed = true;
  }
  return changed;
}

bool PhotoShelf::Settled() const {
  const auto [done, all] = store_.Progress();
  const bool failed = !shown_index_ || store_.StateOf(*shown_index_) == PhotoStore::State::kFailed;
  return done == all && (failed || shown_.Complete());
}

void PhotoShelf::WaitForAll(const Session& session) {
  Want(session);
  store_.WaitForShown();
  Update(session);
  shown_.Finish();
  store_.WaitForPreferred();
}

std::optional<PhotoShelf::Crop> PhotoShelf::CropOf(std::size_t photo, int midi) {
  auto kept = crops_.find({photo, midi});
  if (kept == crops_.end()) {
    const auto loaded = store_.Crops(photo);
    if (!loaded) return std::nullopt;
    const auto crop = std::find_if(loaded->begin(), loaded->end(),
                                   [midi](const PhotoCrop& c) { return c.midi == midi; });
    if (crop == loaded->end()) return std::nullopt;
    if (crops_.size() >= kCropsKept) crops_.clear();
    kept = crops_
               .emplace(std::pair{photo, midi},
                        KeptCrop{GlTexture::FromPicture(crop->Pixels()), crop->origin_px,
                                 static_cast<double>(crop->side_px)})
               .first;
  }
  return Crop{&kept->second.texture, kept->second.origin_px[0], kept->second.origin_px[1],
              kept->second.side_px};
}

}  // namespace tinesight
