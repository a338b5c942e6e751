#pragma once

#include <filesystem>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "viewer/folder_watch.hpp"
#include "viewer/photo_measurer.hpp"

namespace tinesight {

/// What a measured photo, or one that could not be, means for the window.
struct FollowNews {
  std::string text;  ///< one line, in plain words
  bool failure = false;
  bool recorded = false;   ///< the record holds more than before
  std::string visit;       ///< of the record, where it was kept
  std::vector<int> midis;  ///< that have new figures, ascending
  std::filesystem::path photo;
  /// What was measured without a record.
  std::optional<VisitMeasurement> unkept;
};

/// Follows the screwdriver: measures what comes into a folder, each photo by itself, because a
/// screw may have been turned between two; and photos that were handed over together, together.
class Follower {
 public:
  /// A photo that no decoder takes may still be on its way for so long, s.
  static constexpr double kPatienceSeconds = 4.0;

  void SetSetup(MeasureSetup setup);
  [[nodiscard]] bool HasSetup() const { return setup_ != nullptr; }
  /// By which new photos are judged; nullptr: there is no setup.
  [[nodiscard]] const InstrumentProfile* Profile() const {
    return setup_ ? &setup_->profile : nullptr;
  }

  [[nodiscard]] Result<void> Watch(const std::filesystem::path& folder);
  void StopWatching() { watch_.reset(); }
  [[nodiscard]] bool Watching() const { return watch_.has_value(); }
  /// Measures these together. Precondition: HasSetup.
  void Measure(std::vector<std::filesystem::path> photos, const MeasureTarget& target);

  /// Looks into the folder and hands out what was measured since. Any clock that goes on.
  [[nodiscard]] std::vector<FollowNews> Tick(double now_s, const MeasureTarget& target);
  /// "watching /media/phone", "measuring IMG_1.jpg …"; empty: neither.
  [[nodiscard]] std::string Status() const;
  void WaitUntilIdle() { measurer_.WaitUntilIdle(); }

 private:
  [[nodiscard]] std::optional<FollowNews> NewsOf(MeasureOutcome& outcome, double now_s);

  std::shared_ptr<const MeasureSetup> setup_;
  std::optional<FolderWatch> watch_;
  std::map<std::filesystem::path, double> first_unreadable_s_;
  bool folder_failed_ = false;
  double next_look_s_ = -1e300;
  PhotoMeasurer measurer_;
};

/// Into which visit photos of today's work go: never into what was found, which stays as it was.
/// "as left 2024-05-02" for an "as found" one, else the same.
[[nodiscard]] std::string FollowVisitName(const Visit& visit, const std::string& today);
/// ISO 8601, the local day.
[[nodiscard]] std::string Today();

}  // namespace tinesight
