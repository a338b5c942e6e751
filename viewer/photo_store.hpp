#pragma once

#include <array>
#include <condition_variable>
#include <cstdint>
#include <deque>
#include <filesystem>
#include <map>
#include <memory>
#include <mutex>
#include <opencv2/core/mat.hpp>
#include <optional>
#include <string>
#include <thread>
#include <vector>

#include "calibration/camera.hpp"

namespace tinesight {

/// One photo as the window shows it: without the lens's distortion, and its reductions by two.
struct PhotoPicture {
  std::vector<cv::Mat> levels;  ///< CV_8UC4, red first; level 0 is the whole picture
};

/// A square cut out of the undistorted photo.
struct PhotoCrop {
  int midi = 0;
  cv::Mat rgba;                       ///< CV_8UC4, red first
  std::array<double, 2> origin_px{};  ///< of its first pixel in the photo
};

struct PhotoJob {
  std::filesystem::path file;  ///< empty: not on the disk
  std::filesystem::path name;  ///< as recorded, for messages
  Camera camera;               ///< as of this photo
  /// Where the picture itself is kept in a service record: read where the file is missing or is
  /// not that photo any more.
  struct Kept {
    std::filesystem::path record;
    std::int64_t photo_id = 0;
  };
  std::optional<Kept> kept;
  struct Cut {
    int midi = 0;
    double center_x_px = 0.0;
    double center_y_px = 0.0;
    double half_side_px = 0.0;
  };
  std::vector<Cut> cuts;  ///< what to cut out for the note panel, at the photo's own resolution
};

/// Loads photos in one background thread, one after the other, so that 40 photos of 50 megapixels
/// never stand in memory together: of each it keeps the small crops, and of the one or two that are
/// shown the whole picture. All functions are for the window's thread.
class PhotoStore {
 public:
  enum class State { kWaiting, kLoading, kReady, kFailed };

  PhotoStore();
  ~PhotoStore();
  PhotoStore(const PhotoStore&) = delete;
  PhotoStore& operator=(const PhotoStore&) = delete;

  /// Forgets everything and takes these photos; they are loaded in order for their crops.
  void Reset(std::vector<PhotoJob> jobs);
  /// Wants the whole picture of a photo, before all others. Pictures shown before are let go.
  void Show(std::size_t photo);
  /// Loads these photos' crops before the rest.
  void Prefer(std::vector<std::size_t> photos);

  [[nodiscard]] State StateOf(std::size_t photo) const;
  /// Why it failed, one line.
  [[nodiscard]] std::string Problem(std::size_t photo) const;
  /// The whole picture, once, when it is there; the caller then owns it.
  [[nodiscard]] std::unique_ptr<PhotoPicture> TakePicture(std::size_t photo);
  [[nodiscard]] std::shared_ptr<const std::vector<PhotoCrop>> Crops(std::size_t photo) const;
  /// How many of all are done with, and how many there are.
  [[nodiscard]] std::pair<std::size_t, std::size_t> Progress() const;
  /// Grows with everything that arrives: a reason to draw again.
  [[nodiscard]] std::uint64_t Changes() const;
  /// Waits until what was shown and preferred is there, or has failed.
  void WaitForWanted();

 private:
  struct Slot {
    PhotoJob job;
    State state = State::kWaiting;
    std::string problem;
    std::shared_ptr<const std::vector<PhotoCrop>> crops;
    std::unique_ptr<PhotoPicture> picture;
    bool picture_wanted = false;
  };
  void Run();
  /// The photo to load next, with the lock held; slots_.size(): none.
  [[nodiscard]] std::size_t Next() const;

  mutable std::mutex mutex_;
  std::condition_variable wake_;
  std::condition_variable arrived_;
  std::vector<Slot> slots_;
  std::vector<std::size_t> preferred_;
  std::uint64_t generation_ = 0;
  std::uint64_t changes_ = 0;
  bool stop_ = false;
  std::thread worker_;  // last: starts when everything else is there
};

}  // namespace tinesight
