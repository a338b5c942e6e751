#include "vision/ring_registration.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <opencv2/imgproc.hpp>

#include "calibration/median.hpp"
#include "vision/local_line.hpp"
#include "vision/pattern_step.hpp"

namespace tinesight {
namespace {

constexpr int kSpokes = 120;
constexpr double kStepMm = 0.1;
constexpr int kRounds = 16;
constexpr int kRoundsAlone = 48;  // one that was not fitted comes from further off
constexpr std::size_t kFewest = 5;
constexpr double kReach = 5.0;
constexpr float kOddMisfit = 1.0F;     // beyond it a neighbor's pixel shows something of its own
constexpr double kUsualShiftMm = 0.1;  // of a ring that was fitted well
constexpr double kSlopeMm = 0.05;      // half the distance over which a slope is taken

/// Where the samples of a ring lie in the photo, and how they move with the ring.
struct Samples {
  cv::Mat px;                          // CV_32FC2, spokes x radii
  Eigen::Matrix2d px_per_mm;           // of the ring's center
  Eigen::Vector2d shift_mm{0.0, 0.0};  // from where px was computed
};

Samples PlaceSamples(const PhotoView& view, const RingPatch& ring, double inner_mm,
                     double outer_mm) {
  const Eigen::Vector3d& center_mm = ring.center_mm;
  Samples samples;
  const int radii = std::max(2, static_cast<int>((outer_mm - inner_mm) / kStepMm));
  samples.px.create(kSpokes, radii, CV_32FC2);
  for (int k = 0; k < kSpokes; ++k) {
    const double angle = 2.0 * std::numbers::pi * k / kSpokes;
    for (int i = 0; i < radii; ++i) {
      const double r = inner_mm + kStepMm * i;
      const Eigen::Vector2d px =
          view.Project(center_mm + Eigen::Vector3d(r * std::cos(angle), r * std::sin(angle), 0.0));
      samples.px.at<cv::Vec2f>(k, i) = {static_cast<float>(px.x()), static_cast<float>(px.y())};
    }
  }
  const Eigen::Vector2d middle = view.Project(center_mm);
  samples.px_per_mm.col(0) = view.Project(center_mm + Eigen::Vector3d::UnitX()) - middle;
  samples.px_per_mm.col(1) = view.Project(center_mm + Eigen::Vector3d::UnitY()) - middle;
  return samples;
}

/// The picture at the samples, CV_32FC3, `extra_mm` beside where the ring is taken to be.
cv::Mat Read(const PhotoView& view, const Samples& samples, const Eigen::Vector2d& extra_mm) {
  const Eigen::Vector2d off = samples.px_per_mm * (samples.shift_mm + extra_mm);
  cv::Mat at = samples.px + cv::Scalar(off.x(), off.y());
  cv::Mat picture;
  cv::remap(view.bgr, picture, at, {}, cv::INTER_LINEAR, cv::BORDER_REPLICATE);
  picture.convertTo(picture, CV_32F);
  cv::Mat wrapped;  // the spokes go round
  cv::copyMakeBorder(picture, wrapped, 2, 2, 0, 0, cv::BORDER_WRAP);
  cv::GaussianBlur(wrapped, wrapped, {0, 0}, 1.0, 1.0);
  return wrapped.rowRange(2, 2 + kSpokes).clone();
}

/// Brightness (by channel) and contrast of a picture, by medians: what the tine covers and what
/// lies behind the pickup weigh little.
struct Light {
  cv::Vec3f middle;
  float contrast = 1.0F;
};

Light LightOf(const cv::Mat& picture) {
  Light light;
  std::vector<float> values(picture.total());
  for (int channel = 0; channel < 3; ++channel) {
    std::size_t n = 0;
    for (const auto& v : cv::Mat_<cv::Vec3f>(picture)) values[n++] = v[channel];
    light.middle[channel] = MedianInPlace(values);
  }
  values.clear();
  for (const auto& v : cv::Mat_<cv::Vec3f>(picture)) {
    for (int channel = 0; channel < 3; ++channel) {
      values.push_back(std::abs(v[channel] - light.middle[channel]));
    }
  }
  light.contrast = 1.5F * MedianInPlace(values) + 3.0F;
  return light;
}

/// One ring as it is taken to stand: the picture with its light taken out, and its slopes per mm.
struct Reading {
  cv::Mat picture;
  std::array<cv::Mat, 2> slope;
};

Reading ReadRing(const PhotoView& view, const Samples& samples) {
  Reading reading;
  const cv::Mat picture = Read(view, samples, {0.0, 0.0});
  const Light light = LightOf(picture);
  const double scale = 1.0 / static_cast<double>(light.contrast);
  reading.picture =
      (picture - cv::Scalar(light.middle[0], light.middle[1], light.middle[2])) * scale;
  for (std::size_t axis = 0; axis < 2; ++axis) {
    const Eigen::Vector2d step = kSlopeMm * Eigen::Vector2d::Unit(static_cast<Eigen::Index>(axis));
    reading.slope[axis] =
        (Read(view, samples, step) - Read(view, samples, -step)) * (scale / (2.0 * kSlopeMm));
  }
  return reading;
}

bool IsNear(double place, double other) { return std::abs(place - other) < 2.0 * kReach; }

/// Median of the readings near a place, value by value; at least one must be.
cv::Mat NearMedian(const std::vector<Reading>& readings, const std::vector<double>& places,
                   double place) {
  std::vector<const float*> near;
  for (std::size_t k = 0; k < readings.size(); ++k) {
    if (IsNear(places[k], place)) near.push_back(readings[k].picture.ptr<float>());
  }
  cv::Mat median(readings.front().picture.size(), CV_32FC3);
  std::vector<float> values(near.size());
  auto* to = median.ptr<float>();
  for (std::size_t i = 0; i < 3 * median.total(); ++i) {
    for (std::size_t k = 0; k < near.size(); ++k) values[k] = near[k][i];
    to[i] = MedianInPlace(values);
  }
  return median;
}

/// What a ring at a place should look like, by its neighbors: their local line, from which no
/// single one's tine or background strays far.
cv::Mat LocalPattern(const std::vector<Reading>& readings, const std::vector<double>& places,
                     const std::vector<double>& weights, double place) {
  const cv::Mat median = NearMedian(readings, places, place);
  const std::vector<double> shares = LocalLineShares(places, weights, place, kReach);
  cv::Mat pattern = median.clone();
  for (std::size_t k = 0; k < readings.size(); ++k) {
    cv::Mat off = readings[k].picture - median;
    cv::min(off, cv::Scalar::all(kOddMisfit), off);
    cv::max(off, cv::Scalar::all(-kOddMisfit), off);
    pattern += shares[k] * off;
  }
  return pattern;
}

/// The shift, mm, that brings a reading nearer to the pattern.
Eigen::Vector2d StepToward(const Reading& reading, const cv::Mat& pattern) {
  PatternStep step;
  const cv::Mat misfits = pattern - reading.picture;
  const auto* misfit = misfits.ptr<float>();
  const auto* slope_x = reading.slope[0].ptr<float>();
  const auto* slope_y = reading.slope[1].ptr<float>();
  for (std::size_t i = 0; i < 3 * pattern.total(); ++i) {
    step.Add(static_cast<double>(misfit[i]),
             {static_cast<double>(slope_x[i]), static_cast<double>(slope_y[i])});
  }
  return step.StepMm();
}

/// Of two pictures with their light taken out.
double Correlation(const cv::Mat& a, const cv::Mat& b) {
  return a.dot(b) / std::sqrt(std::max(1e-9, a.dot(a) * b.dot(b)));
}

}  // namespace

void RegisterRings(const PhotoView& view, double inner_mm, double outer_mm,
                   std::vector<RingPatch>& rings) {
  if (rings.size() < kFewest) return;
  std::vector<double> places;
  std::vector<Samples> samples;
  for (const RingPatch& ring : rings) {
    places.push_back(ring.place);
    samples.push_back(PlaceSamples(view, ring, inner_mm, outer_mm));
  }
  const std::vector<double> weights(rings.size(), 1.0);
  std::vector<Eigen::Vector2d> shifts(rings.size(), Eigen::Vector2d::Zero());
  for (int round = 0; round < kRounds; ++round) {
    std::vector<Reading> readings;
    readings.reserve(rings.size());
    for (const Samples& s : samples) readings.push_back(ReadRing(view, s));
    for (std::size_t i = 0; i < rings.size(); ++i) {
      const cv::Mat pattern = LocalPattern(readings, places, weights, places[i]);
      shifts[i] += StepToward(readings[i], pattern);
    }
    // One that was fitted beside its ring comes home by itself, and takes no neighbor along.
    const auto in_line = WeightsInLine(places, weights, shifts, 2.0 * kReach, kUsualShiftMm);
    shifts = WithoutLocalLine(places, in_line, shifts, 2.0 * kReach);
    for (std::size_t i = 0; i < rings.size(); ++i) samples[i].shift_mm = shifts[i];
  }
  for (std::size_t i = 0; i < rings.size(); ++i) rings[i].center_mm.head<2>() += shifts[i];
}

double RegisterToRings(const PhotoView& view, double inner_mm, double outer_mm,
                       const std::vector<RingPatch>& rings, RingPatch& ring) {
  const auto near = std::count_if(rings.begin(), rings.end(), [&](const RingPatch& neighbor) {
    return IsNear(neighbor.place, ring.place);
  });
  if (rings.size() < kFewest || near == 0) return 0.0;
  std::vector<double> places;
  std::vector<Reading> readings;
  for (const RingPatch& neighbor : rings) {
    places.push_back(neighbor.place);
    readings.push_back(ReadRing(view, PlaceSamples(view, neighbor, inner_mm, outer_mm)));
  }
  const std::vector<double> weights(rings.size(), 1.0);
  const cv::Mat pattern = LocalPattern(readings, places, weights, ring.place);
  Samples samples = PlaceSamples(view, ring, inner_mm, outer_mm);
  for (int round = 0; round < kRoundsAlone; ++round) {
    samples.shift_mm += StepToward(ReadRing(view, samples), pattern);
  }
  ring.center_mm.head<2>() += samples.shift_mm;
  return Correlation(ReadRing(view, samples).picture, pattern);
}

}  // namespace tinesight
