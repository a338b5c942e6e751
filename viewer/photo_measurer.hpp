#pragma once

#include <condition_variable>
#include <deque>
#include <filesystem>
#include <functional>
#include <memory>
#include <mutex>
#include <string>
#include <string_view>
#include <thread>
#include <vector>

#include "viewer/measure_setup.hpp"

namespace tinesight {

/// Where measured photos are kept.
struct MeasureTarget {
  std::filesystem::path record;  ///< empty: nowhere
  std::string visit;             ///< made where the record has none of that name
  std::string technician;        ///< of a visit that is made
  bool embed = false;            ///< keep the pictures themselves
};

struct MeasureJob {
  std::vector<std::filesystem::path> photos;  ///< measured together
  std::shared_ptr<const MeasureSetup> setup;
  MeasureTarget target;
};

struct MeasureOutcome {
  MeasureJob job;
  VisitMeasurement measurement;      ///< every photo of the job, refused ones too
  std::vector<std::string> refused;  ///< a line each: which photo and why
  std::string problem;               ///< why nothing was measured or kept; empty: all is well
  bool unreadable = false;           ///< a single photo that no decoder takes (yet)
  bool recorded = false;
};

/// Measures photos and writes them into the record (a job in one transaction, as `tinesight
/// measure --record` does) in one background thread, one job after the other. At its end a job of
/// one photo that has begun is finished; one of several is left between two photos, unrecorded.
class PhotoMeasurer {
 public:
  PhotoMeasurer();
  ~PhotoMeasurer();
  PhotoMeasurer(const PhotoMeasurer&) = delete;
  PhotoMeasurer& operator=(const PhotoMeasurer&) = delete;

  void Add(MeasureJob job);
  /// What is done since the last call.
  [[nodiscard]] std::vector<MeasureOutcome> Take();
  /// What is being measured, "IMG_1.jpg"; empty: nothing.
  [[nodiscard]] std::string Doing() const;
  void WaitUntilIdle();

 private:
  void Run();

  mutable std::mutex mutex_;
  std::condition_variable wake_;
  std::condition_variable idle_;
  std::deque<MeasureJob> waiting_;
  std::vector<MeasureOutcome> done_;
  std::string doing_;
  bool busy_ = false;
  bool stop_ = false;
  std::thread worker_;  // last: starts when everything else is there
};

/// The work itself, in the calling thread. `progress` as of MeasureVisit; it may throw.
[[nodiscard]] MeasureOutcome MeasureAndKeep(
    MeasureJob job, const std::function<void(double, std::string_view)>& progress);

}  // namespace tinesight
