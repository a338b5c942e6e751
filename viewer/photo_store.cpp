#include "viewer/photo_store.hpp"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <opencv2/calib3d.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <optional>
#include <utility>

#include "calibration/error.hpp"
#include "calibration/opencv_camera.hpp"
#include "record/service_record.hpp"
#include "vision/photo.hpp"

namespace tinesight {
namespace {

struct Loaded {
  std::unique_ptr<PhotoPicture> picture;
  std::vector<PhotoCrop> crops;
};

/// Cuts without the lens's distortion, each straightened alone: a second whole picture would be
/// 150 MB for a photo of 50 megapixels.
std::vector<PhotoCrop> CutOut(const cv::Mat& bgr, const Camera& camera,
                              const std::vector<PhotoJob::Cut>& cuts) {
  const cv::Scalar outside(40, 40, 40);
  std::vector<PhotoCrop> crops;
  for (const PhotoJob::Cut& cut : cuts) {
    const int left = static_cast<int>(std::floor(cut.center_x_px - cut.half_side_px));
    const int top = static_cast<int>(std::floor(cut.center_y_px - cut.half_side_px));
    const int side = static_cast<int>(std::ceil(2.0 * cut.half_side_px)) + 1;
    const cv::Rect wanted(left, top, side, side);
    const cv::Rect inside = wanted & cv::Rect(0, 0, bgr.cols, bgr.rows);
    if (inside.area() < wanted.area() / 3) continue;
    PhotoCrop crop;
    crop.midi = cut.midi;
    crop.side_px = side;
    crop.origin_px = {static_cast<double>(left), static_cast<double>(top)};
    cv::Matx33d window = CameraMatrix(camera);
    window(0, 2) -= left;
    window(1, 2) -= top;
    cv::Mat map;
    cv::Mat map_fraction;
    cv::initUndistortRectifyMap(CameraMatrix(camera), DistortionOf(camera), cv::noArray(), window,
                                {side, side}, CV_16SC2, map, map_fraction);
    cv::Mat part;
    cv::remap(bgr, part, map, map_fraction, cv::INTER_LINEAR, cv::BORDER_CONSTANT, outside);
    cv::imencode(".jpg", part, crop.jpeg, {cv::IMWRITE_JPEG_QUALITY, 92});
    crop.jpeg.shrink_to_fit();
    crops.push_back(std::move(crop));
  }
  return crops;
}

std::unique_ptr<PhotoPicture> Levels(cv::Mat level) {
  auto picture = std::make_unique<PhotoPicture>();
  while (true) {
    picture->levels.push_back(level);
    if (level.cols == 1 && level.rows == 1) return picture;
    cv::Mat half;
    cv::resize(level, half, {std::max(1, level.cols / 2), std::max(1, level.rows / 2)}, 0, 0,
               cv::INTER_AREA);
    level = half;
  }
}

// From the disk and of the size that was measured.
Result<Photo> PhotoOnDisk(const PhotoJob& job) {
  if (job.file.empty()) {
    return Fail(job.name.string() +
                ": is not on the disk any more, and the record keeps no picture; give its folder "
                "with --photos");
  }
  auto photo = ReadPhoto(job.file);
  if (!photo) return photo;
  if (photo->bgr.cols != job.camera.width_px || photo->bgr.rows != job.camera.height_px) {
    return Fail(job.file.string() + ": the photo is not the one that was measured: its size is " +
                std::to_string(photo->bgr.cols) + " × " + std::to_string(photo->bgr.rows) + " px");
  }
  return photo;
}

Result<Photo> FindPhoto(const PhotoJob& job) {
  auto photo = PhotoOnDisk(job);
  if (photo || !job.kept) return photo;
  const auto bytes = ReadEmbeddedPhoto(job.kept->record, job.kept->photo_id);
  if (!bytes) return tl::unexpected(bytes.error());
  return DecodePhoto(*bytes, job.name);
}

Result<Loaded> Load(const PhotoJob& job, bool picture_wanted) {
  auto photo = FindPhoto(job);
  if (!photo) return tl::unexpected(photo.error());
  photo->gray.release();
  Loaded loaded;
  loaded.crops = CutOut(photo->bgr, job.camera, job.cuts);
  if (picture_wanted) {
    cv::Mat straight;
    cv::undistort(photo->bgr, straight, CameraMatrix(job.camera), DistortionOf(job.camera));
    photo->bgr.release();
    loaded.picture = Levels(std::move(straight));
  }
  return loaded;
}

// OpenCV and the allocator throw; a photo that is too much for them is a photo that can't be shown.
Result<Loaded> LoadSafely(const PhotoJob& job, bool picture_wanted) {
  try {
    return Load(job, picture_wanted);
  } catch (const std::exception& error) {
    return Fail(job.name.string() + ": can't be shown: " + error.what());
  }
}

}  // namespace

cv::Mat PhotoCrop::Pixels() const { return cv::imdecode(jpeg, cv::IMREAD_COLOR); }

void PhotoStore::LetGo::operator()(PhotoPicture* picture) const {
  delete picture;
  {
    const std::lock_guard lock(store->mutex_);
    --store->pictures_taken_;
  }
  store->wake_.notify_all();
}

PhotoStore::PhotoStore() : worker_([this] { Run(); }) {}

PhotoStore::~PhotoStore() {
  {
    const std::lock_guard lock(mutex_);
    stop_ = true;
  }
  wake_.notify_all();
  worker_.join();
}

void PhotoStore::Reset(std::vector<PhotoJob> jobs) {
  {
    const std::lock_guard lock(mutex_);
    ++generation_;
    ++changes_;
    preferred_.clear();
    slots_.clear();
    slots_.resize(jobs.size());
    for (std::size_t i = 0; i < jobs.size(); ++i) slots_[i].job = std::move(jobs[i]);
  }
  wake_.notify_all();
}

void PhotoStore::Show(std::size_t photo) {
  {
    const std::lock_guard lock(mutex_);
    if (photo >= slots_.size()) return;
    for (std::size_t i = 0; i < slots_.size(); ++i) {
      slots_[i].picture_wanted = i == photo && slots_[i].state != State::kFailed;
      if (i != photo) slots_[i].picture.reset();
    }
  }
  wake_.notify_all();
}

void PhotoStore::Prefer(std::vector<std::size_t> photos) {
  const std::lock_guard lock(mutex_);
  preferred_ = std::move(photos);
}

PhotoStore::State PhotoStore::StateOf(std::size_t photo) const {
  const std::lock_guard lock(mutex_);
  return photo < slots_.size() ? slots_[photo].state : State::kFailed;
}

std::string PhotoStore::Problem(std::size_t photo) const {
  const std::lock_guard lock(mutex_);
  return photo < slots_.size() ? slots_[photo].problem : "there is no such photo";
}

PhotoStore::Picture PhotoStore::TakePicture(std::size_t photo) {
  const std::lock_guard lock(mutex_);
  if (photo >= slots_.size() || !slots_[photo].picture) return nullptr;
  ++pictures_taken_;
  return Picture(slots_[photo].picture.release(), LetGo{this});
}

std::shared_ptr<const std::vector<PhotoCrop>> PhotoStore::Crops(std::size_t photo) const {
  const std::lock_guard lock(mutex_);
  return photo < slots_.size() ? slots_[photo].crops : nullptr;
}

std::pair<std::size_t, std::size_t> PhotoStore::Progress() const {
  const std::lock_guard lock(mutex_);
  const auto done = std::count_if(slots_.begin(), slots_.end(), [](const Slot& slot) {
    return slot.state == State::kReady || slot.state == State::kFailed;
  });
  return {static_cast<std::size_t>(done), slots_.size()};
}

std::uint64_t PhotoStore::Changes() const {
  const std::lock_guard lock(mutex_);
  return changes_;
}

void PhotoStore::WaitForShown() {
  std::unique_lock lock(mutex_);
  arrived_.wait(lock, [this] {
    return std::none_of(slots_.begin(), slots_.end(),
                        [](const Slot& slot) { return slot.picture_wanted; });
  });
}

void PhotoStore::WaitForPreferred() {
  std::unique_lock lock(mutex_);
  assert(!Occupied());
  arrived_.wait(lock, [this] {
    return std::none_of(preferred_.begin(), preferred_.end(), [this](std::size_t i) {
      return i < slots_.size() &&
             (slots_[i].state == State::kWaiting || slots_[i].state == State::kLoading);
    });
  });
}

bool PhotoStore::Occupied() const {
  return pictures_taken_ > 0 || std::any_of(slots_.begin(), slots_.end(), [](const Slot& slot) {
           return slot.picture != nullptr;
         });
}

std::size_t PhotoStore::Next() const {
  if (Occupied()) return slots_.size();
  for (std::size_t i = 0; i < slots_.size(); ++i) {
    if (slots_[i].picture_wanted) return i;
  }
  for (const std::size_t i : preferred_) {
    if (i < slots_.size() && slots_[i].state == State::kWaiting) return i;
  }
  for (std::size_t i = 0; i < slots_.size(); ++i) {
    if (slots_[i].state == State::kWaiting) return i;
  }
  return slots_.size();
}

void PhotoStore::Run() {
  std::unique_lock lock(mutex_);
  while (true) {
    wake_.wait(lock, [this] { return stop_ || Next() < slots_.size(); });
    if (stop_) return;
    const std::size_t index = Next();
    const std::uint64_t generation = generation_;
    const PhotoJob job = slots_[index].job;
    const bool picture_wanted = slots_[index].picture_wanted;
    if (slots_[index].state == State::kWaiting) slots_[index].state = State::kLoading;
    lock.unlock();
    Result<Loaded> loaded = LoadSafely(job, picture_wanted);
    lock.lock();
    if (generation == generation_) {
      Slot& slot = slots_[index];
      const bool still_wanted = slot.picture_wanted;
      // What was asked for meanwhile stays asked for.
      if (picture_wanted) slot.picture_wanted = false;
      ++changes_;
      if (loaded) {
        slot.state = State::kReady;
        slot.crops = std::make_shared<const std::vector<PhotoCrop>>(std::move(loaded->crops));
        if (still_wanted) slot.picture = std::move(loaded->picture);
      } else {
        slot.state = State::kFailed;
        slot.problem = loaded.error().message;
        slot.picture_wanted = false;
      }
    }
    arrived_.notify_all();
  }
}

}  // namespace tinesight
