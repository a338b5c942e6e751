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
  std::vector<cv::Mat> levels;  ///< CV_8UC3, blue first; level 0 is the whole picture
};

/// A square cut out of the undistorted photo, kept as a JPEG: 40 photos of 22 notes each would be
/// 600 MB as pixels.
struct PhotoCrop {
  int midi = 0;
  std::vector<std::uint8_t> jpeg;
  int side_px = 0;
  std::array<double, 2> origin_px{};  ///< of its first pixel in the photo
  /// CV_8UC3, blue first.
  [[nodiscard]] cv::Mat Pixels() const;
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
/// never stand in memory together: of each it keeps the small crops, and of the shown one the whole
/// picture. While that picture stands in memory, here or with who took it, no other photo is
/// decoded. All functions are for the window's thread.
class PhotoStore {
 public:
  enum class State { kWaiting, kLoading, kReady, kFailed };
  struct LetGo {
    PhotoStore* store = nullptr;
    void operator()(PhotoPicture* picture) const;
  };
  /// The store goes on loading as soon as this is gone; it must be gone before the store is.
  using Picture = std::unique_ptr<PhotoPicture, LetGo>;

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
  [[nodiscard]] Picture TakePicture(std::size_t photo);
  [[nodiscard]] std::shared_ptr<const std::vector<PhotoCrop>> Crops(std::size_t photo) const;
  /// How many of all are done with, and how many there are.
  [[nodiscard]] std::pair<std::size_t, std::size_t> Progress() const;
  /// Grows with everything that arrives: a reason to draw again.
  [[nodiscard]] std::uint64_t Changes() const;
  /// Waits until the shown picture is there to be taken, or has failed.
  void WaitForShown();
  /// Waits until the preferred photos' crops are there, or have failed. Precondition: the shown
  /// picture was taken and let go, or the store would wait for that.
  void WaitForPreferred();

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
  // With the lock held:
  /// A whole picture stands in memory.
  [[nodiscard]] bool Occupied() const;
  /// The photo to load next; slots_.size(): none.
  [[nodiscard]] std::size_t Next() const;

  mutable std::mutex mutex_;
  std::condition_variable wake_;
  std::condition_variable arrived_;
  std::vector<Slot> slots_;
  std::vector<std::size_t> preferred_;
  int pictures_taken_ = 0;  // and not let go yet
  std::uint64_t generation_ = 0;
  std::uint64_t changes_ = 0;
  bool stop_ = false;
  std::thread worker_;  // last: starts when everything else is there
};

}  // namespace tinesight
