#pragma once

#include <cstdint>
#include <filesystem>
#include <map>
#include <vector>

#include "calibration/error.hpp"

namespace tinesight {

/// Whether a file's name ends like that of a photo (jpg, jpeg, heic, heif, png, tif, tiff, in any
/// case) and is not hidden: programs that copy write under a hidden or another name first.
[[nodiscard]] bool LooksLikePhotoName(const std::filesystem::path& file);

/// Photos that come into a folder, each told once, when it is completely there: its size and its
/// time of change have stood still for a while, and it is not empty. The folder is looked at each
/// time it is asked, so that it works on network drives and phones, where no system tells of
/// changes. What lay there at the start is not told.
class FolderWatch {
 public:
  /// How long a file must stand still, s. Copies over a phone's cable pause for less.
  static constexpr double kSettleSeconds = 1.0;

  /// Fails where the folder is no folder or can't be read.
  [[nodiscard]] static Result<FolderWatch> Start(const std::filesystem::path& folder);

  /// Looks into the folder; `now_s` is any clock that goes on. Complete ones in the order of their
  /// times of change. Fails where the folder is gone or unreadable; a later look may succeed.
  [[nodiscard]] Result<std::vector<std::filesystem::path>> Look(double now_s);
  [[nodiscard]] const std::filesystem::path& Folder() const { return folder_; }
  /// To be told again once it has changed: it was not complete after all.
  void Forget(const std::filesystem::path& file, double now_s);

 private:
  struct Seen {
    std::uintmax_t bytes = 0;
    std::filesystem::file_time_type changed;
    double still_since_s = 0.0;
    bool told = false;
  };
  explicit FolderWatch(std::filesystem::path folder) : folder_(std::move(folder)) {}

  std::filesystem::path folder_;
  std::map<std::filesystem::path, Seen> seen_;
};

}  // namespace tinesight
