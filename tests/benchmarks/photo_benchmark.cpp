// Time of reading a photo and of finding the rig's tags in it, on a picture that is drawn here, so
// that nothing else needs to be there. Machines differ: compare the counters, which are multiples
// of the time that one Gaussian filter takes over the same picture on the same machine.

#include <benchmark/benchmark.h>

#include <chrono>
#include <cstddef>
#include <filesystem>
#include <opencv2/aruco.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <string>
#include <system_error>

#include "calibration/rig.hpp"
#include "vision/photo.hpp"
#include "vision/rig_detection.hpp"

namespace tinesight {
namespace {

constexpr int kWidthPx = 4032;
constexpr int kHeightPx = 3024;
constexpr int kTagsPerBar = 20;
constexpr int kMountBarBaseId = 40;
constexpr double kPitchMm = 18.0;
constexpr double kTagMm = 12.0;

// The default rig as a flat drawing: two rows of tags, in px and in mm.
struct Drawing {
  cv::Mat bgr;
  Rig rig;
};

void AddBar(int first_id, int top_px, double depth_mm, Drawing& drawing) {
  constexpr int kTagPx = 120;
  constexpr int kPitchPx = 180;
  const auto family = cv::aruco::getPredefinedDictionary(cv::aruco::DICT_APRILTAG_36h11);
  for (int i = 0; i < kTagsPerBar; ++i) {
    cv::Mat tag;
    cv::aruco::drawMarker(family, first_id + i, kTagPx, tag);
    cv::cvtColor(tag, tag, cv::COLOR_GRAY2BGR);
    const cv::Rect place(200 + i * kPitchPx, top_px, kTagPx, kTagPx);
    tag.copyTo(drawing.bgr(place));
    const double left_mm = i * kPitchMm;
    const double top_mm = -top_px * kTagMm / kTagPx;
    drawing.rig.tags.push_back({first_id + i,
                                {Eigen::Vector3d(left_mm, top_mm, depth_mm),
                                 Eigen::Vector3d(left_mm + kTagMm, top_mm, depth_mm),
                                 Eigen::Vector3d(left_mm + kTagMm, top_mm - kTagMm, depth_mm),
                                 Eigen::Vector3d(left_mm, top_mm - kTagMm, depth_mm)},
                                0.05});
  }
}

const Drawing& DrawnPhoto() {
  static const Drawing drawing = [] {
    Drawing drawn;
    drawn.bgr = cv::Mat(kHeightPx, kWidthPx, CV_8UC3, cv::Scalar::all(225));
    AddBar(0, 500, 200.0, drawn);
    AddBar(kMountBarBaseId, 2300, 0.0, drawn);
    cv::GaussianBlur(drawn.bgr, drawn.bgr, {}, 1.5);
    cv::Mat noise(drawn.bgr.size(), CV_8UC3);
    cv::RNG random(1);
    random.fill(noise, cv::RNG::NORMAL, 20.0, 4.0);
    cv::add(drawn.bgr, noise, drawn.bgr);
    return drawn;
  }();
  return drawing;
}

// The yardstick: seconds that a 5 × 5 Gaussian filter takes over the gray picture.
double YardstickSeconds() {
  static const double seconds = [] {
    cv::Mat gray;
    cv::Mat filtered;
    cv::cvtColor(DrawnPhoto().bgr, gray, cv::COLOR_BGR2GRAY);
    cv::GaussianBlur(gray, filtered, {5, 5}, 1.0);  // warms up
    constexpr int kRounds = 10;
    const auto begin = std::chrono::steady_clock::now();
    for (int i = 0; i < kRounds; ++i) {
      cv::GaussianBlur(gray, filtered, {5, 5}, 1.0);
    }
    const std::chrono::duration<double> elapsed = std::chrono::steady_clock::now() - begin;
    return elapsed.count() / kRounds;
  }();
  return seconds;
}

// "filters": how many yardsticks one round took.
void ReportRatio(benchmark::State& state) {
  state.counters["filters"] =
      benchmark::Counter(YardstickSeconds() * static_cast<double>(state.iterations()),
                         benchmark::Counter::kIsRate | benchmark::Counter::kInvert);
}

void ReadOfAJpeg(benchmark::State& state) {
  const std::filesystem::path file =
      std::filesystem::temp_directory_path() / "tinesight_photo_benchmark.jpg";
  cv::imwrite(file.string(), DrawnPhoto().bgr, {cv::IMWRITE_JPEG_QUALITY, 92});
  YardstickSeconds();
  for (auto round : state) {
    const Result<Photo> photo = ReadPhoto(file);
    if (!photo) {
      state.SkipWithError(photo.error().message.c_str());
      break;
    }
    benchmark::DoNotOptimize(photo->gray.data);
  }
  ReportRatio(state);
  std::error_code ignored;
  std::filesystem::remove(file, ignored);
}
BENCHMARK(ReadOfAJpeg)->Unit(benchmark::kMillisecond)->UseRealTime();

void FindOfTheTags(benchmark::State& state) {
  cv::Mat gray;
  cv::cvtColor(DrawnPhoto().bgr, gray, cv::COLOR_BGR2GRAY);
  YardstickSeconds();
  std::size_t found = 0;
  for (auto round : state) {
    found = DetectTags(gray, DrawnPhoto().rig).tags.size();
    benchmark::DoNotOptimize(found);
  }
  if (found != DrawnPhoto().rig.tags.size()) {
    state.SkipWithError(("found " + std::to_string(found) + " tags of " +
                         std::to_string(DrawnPhoto().rig.tags.size()))
                            .c_str());
  }
  ReportRatio(state);
}
BENCHMARK(FindOfTheTags)->Unit(benchmark::kMillisecond)->UseRealTime();

}  // namespace
}  // namespace tinesight
