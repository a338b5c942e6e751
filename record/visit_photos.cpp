#include "record/visit_photos.hpp"

#include <algorithm>
#include <filesystem>
#include <limits>
#include <optional>

#include "calibration/file_io.hpp"
#include "record/drawing.hpp"
#include "record/note_picture.hpp"
#include "record/photo_places.hpp"
#include "record/text_util.hpp"
#include "vision/photo.hpp"

namespace tinesight {
namespace {

namespace fs = std::filesystem;

constexpr std::uintmax_t kMaxPhotoBytes = 1ULL << 28;

struct PhotoOfNote {
  std::size_t photo = 0;                  // index into the visit's photos
  const VisitMeasurement* set = nullptr;  // whose notes belong to the photo's pose
};

// Index of the same photo in its set's own list: the visit lists all sets' photos one after
// another.
std::optional<PhotoOfNote> ChoosePhoto(const Visit& visit, int midi) {
  // The newest follow-up first: its figures are those that count.
  std::vector<std::size_t> order;
  for (std::size_t s = visit.sets.size(); s-- > 0;) {
    if (visit.sets[s].follow_up) order.push_back(s);
  }
  for (std::size_t s = 0; s < visit.sets.size(); ++s) {
    if (!visit.sets[s].follow_up) order.push_back(s);
  }
  for (const std::size_t s : order) {
    const VisitMeasurement& set = visit.sets[s].measurement;
    const std::optional<std::size_t> best = BestPhotoOf(set, midi);
    if (!best) continue;
    std::size_t in_set = 0;
    for (std::size_t i = 0; i < visit.photos.size(); ++i) {
      if (visit.photos[i].set != s) continue;
      if (in_set++ == *best) return PhotoOfNote{i, &set};
    }
  }
  return std::nullopt;
}

// The bytes that were measured, from wherever they still are.
Result<std::string> PhotoBytes(const ServiceRecord& record, const Visit& visit, std::size_t photo) {
  const PhotoRecord& kept = visit.photos[photo];
  bool changed = false;
  for (const fs::path& file : PhotoPlaces(visit.measurement.photos[photo].file, record.file)) {
    std::error_code code;
    if (!fs::is_regular_file(file, code)) continue;
    Result<std::string> bytes = ReadFileBytes(file, kMaxPhotoBytes);
    if (!bytes) continue;
    // Another picture of the same name would show the overlay where nothing is.
    if (kept.sha256 && Sha256(*bytes) == *kept.sha256) return bytes;
    changed = true;
  }
  if (kept.embedded_bytes > 0) return ReadEmbeddedPhoto(record.file, kept.id);
  return Fail(changed ? "the file was changed after it was measured"
                      : "the file was not found and is not kept in the record");
}

Result<cv::Mat> PhotoPixels(const ServiceRecord& record, const Visit& visit, std::size_t photo) {
  const Result<std::string> bytes = PhotoBytes(record, visit, photo);
  if (!bytes) return tl::unexpected(bytes.error());
  const PhotoMeasurement& measured = visit.measurement.photos[photo];
  Result<Photo> picture = DecodePhoto(*bytes, PhotoName(measured));
  if (!picture) return tl::unexpected(picture.error());
  if (picture->bgr.cols != measured.camera.width_px ||
      picture->bgr.rows != measured.camera.height_px) {
    return Fail("its size is not that of the photo that was measured");
  }
  return picture->bgr;
}

const NoteMeasurement* NoteOf(const VisitMeasurement& measurement, int midi) {
  const auto note = std::find_if(measurement.notes.begin(), measurement.notes.end(),
                                 [&](const NoteMeasurement& n) { return n.midi == midi; });
  return note == measurement.notes.end() ? nullptr : &*note;
}

}  // namespace

std::string PhotoName(const PhotoMeasurement& photo) {
  return CleanText(fs::path(photo.file).filename().string());
}

NotePictures CollectNotePictures(const ServiceRecord& record, const Visit& visit,
                                 const std::set<int>& midi_notes, int size_px) {
  NotePictures pictures;
  std::map<std::size_t, std::vector<std::pair<int, const VisitMeasurement*>>> notes_of_photo;
  for (const int midi : midi_notes) {
    if (const auto chosen = ChoosePhoto(visit, midi)) {
      notes_of_photo[chosen->photo].emplace_back(midi, chosen->set);
    } else {
      pictures.missing[midi] = "No photo shows this note whole.";
    }
  }
  for (const auto& [index, notes] : notes_of_photo) {
    const PhotoMeasurement& photo = visit.measurement.photos[index];
    const Result<cv::Mat> pixels = PhotoPixels(record, visit, index);
    if (!pixels) {
      pictures.trouble.push_back(PhotoName(photo) + ": " + pixels.error().message);
    }
    for (const auto& [midi, set] : notes) {
      const NoteMeasurement* note = NoteOf(*set, midi);
      std::string jpeg;
      if (pixels && note != nullptr) {
        const cv::Mat square =
            NotePicture(*pixels, photo, *note, visit.profile.Find(midi), size_px);
        if (!square.empty()) jpeg = EncodeJpeg(square, 88);
      }
      if (jpeg.empty()) {
        pictures.missing[midi] =
            "No picture: " + PhotoName(photo) +
            (pixels ? " does not show the note." : ": " + pixels.error().message + ".");
      } else {
        pictures.jpeg[midi] = std::move(jpeg);
      }
    }
  }
  return pictures;
}

}  // namespace tinesight
