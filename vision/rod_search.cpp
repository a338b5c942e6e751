#include "vision/rod_search.hpp"

#include <algorithm>
#include <cmath>
#include <numeric>
#include <opencv2/imgproc.hpp>

#include "calibration/median.hpp"

namespace tinesight {
namespace {

constexpr double kPatternWeight = 12.0;
constexpr double kOutlineWeight = 3.0;  // of edges against steadiness, both without unit
// The same among all lines of the range. Without it, a phone's local contrast, which makes the rod
// change along its length, lets what lies beside whole rows of plain tines win.
constexpr double kFirstOutlineWeight = 2.0;
// Share of a slow change of the profile along the rod that is forgiven: a highlight wanders a
// little as the view changes, but a line that is askew changes the profile too.
constexpr double kForgivenDrift = 0.85;
constexpr double kOddStretch = 2.5;    // usual unlikenesses; such a stretch counts half: a spring
constexpr double kBlurMarginMm = 0.1;  // columns this near an outline mix inside and outside

/// Gradient to edge strength 0 to 1, relative to what is usual in the picture.
cv::Mat EdgeStrength(const cv::Mat& gradient) {
  const float usual = MedianOf(std::vector<float>(gradient.begin<float>(), gradient.end<float>()));
  const float k2 = std::max(0.01F, 4.0F * usual * usual);
  cv::Mat strength(gradient.size(), CV_32F);
  for (int r = 0; r < gradient.rows; ++r) {
    for (int c = 0; c < gradient.cols; ++c) {
      const float m = gradient.at<float>(r, c);
      strength.at<float>(r, c) = m * m / (m * m + k2);
    }
  }
  return strength;
}

/// Calls `visit` with every line of a grid about a middle; `half` and `step` are offsets at tip
/// and root.
template <typename Visit>
void ForGrid(const RodLine& middle, const RodLine& half, const RodLine& step, const Visit& visit) {
  constexpr double kLastMm = 1e-9;
  for (double t = -half.tip_mm; t <= half.tip_mm + kLastMm; t += step.tip_mm) {
    for (double r = -half.root_mm; r <= half.root_mm + kLastMm; r += step.root_mm) {
      visit(RodLine{middle.tip_mm + t, middle.root_mm + r});
    }
  }
}

/// The line of the highest value of `value_of` on a grid about a middle, then on one of half its
/// step about the best.
template <typename ValueOf>
RodLine Highest(const RodLine& middle, const RodLine& half, const RodLine& step,
                const ValueOf& value_of) {
  RodLine best = middle;
  double best_value = value_of(middle);
  const auto take_higher = [&](const RodLine& line) {
    const double value = value_of(line);
    if (value > best_value) {
      best_value = value;
      best = line;
    }
  };
  ForGrid(middle, half, step, take_higher);
  const RodLine fine{0.5 * step.tip_mm, 0.5 * step.root_mm};
  const RodLine about = best;  // `best` moves meanwhile
  ForGrid(about, fine, fine, take_higher);
  return best;
}

/// Minus the logarithm of a prior: near its middle a normal distribution, its tails Student's, for
/// most tines stand as they should, but the crooked ones are what is looked for.
double HeavyTailed(double sigmas) {
  constexpr double kHalfOfFreedomPlusOne = 1.5;
  return kHalfOfFreedomPlusOne * std::log1p(0.5 * sigmas * sigmas / kHalfOfFreedomPlusOne);
}

/// What a line's place at the pickup costs.
double TipPenalty(const RodLine& line) {
  constexpr double kUsualMm = 1.1;
  return HeavyTailed(line.tip_mm / kUsualMm);
}

void Normalize(RodProfile& profile) {
  const float mean =
      std::accumulate(profile.begin(), profile.end(), 0.0F) / static_cast<float>(profile.size());
  float squares = 0.0F;
  for (float& v : profile) {
    v -= mean;
    squares += v * v;
  }
  const float norm = std::sqrt(std::max(squares, 1e-6F));
  for (float& v : profile) v /= norm;
}

}  // namespace

RodSearch::RodSearch(const Straightened& picture, const RodStretches& stretches,
                     const TinePrediction& p, double visible_to_mm)
    : picture_(picture), stretches_(stretches), prediction_(p), span_mm_(p.gap_mm + p.length_mm) {
  for (std::size_t k = 0; k < stretches.along_mm.size(); ++k) {
    const double along = stretches.along_mm[k];
    if (along > 0.7 * p.gap_mm && along < visible_to_mm) used_.push_back(static_cast<int>(k));
  }
  // As many columns inside for every diameter, so that tines of unlike ones can be compared.
  constexpr int kInside = 34;
  constexpr int kOutside = 7;
  const double half = 0.5 * p.diameter_mm;
  for (int i = 0; i < kInside; ++i) {
    columns_.push_back({(half - kBlurMarginMm) * (2.0 * i / (kInside - 1) - 1.0), 0});
  }
  for (int i = 0; i < kOutside; ++i) {
    const double t = half + kBlurMarginMm + Straightened::kAcrossStepMm * i;
    columns_.push_back({-t, 1});
    columns_.push_back({t, 2});
  }
  noise2_ = NoiseVariance();
  cv::GaussianBlur(EdgeStrength(GradientNorm(stretches.bgr)), strength_, {0, 1},
                   0.1 / Straightened::kAcrossStepMm, 0.0, cv::BORDER_REPLICATE);
}

RodSearch::Found RodSearch::Best() const {
  constexpr double kCoarseMm = 0.2;
  constexpr double kFineMm = 0.1;
  constexpr std::size_t kStarts = 5;
  std::vector<Found> all;
  Scan({0.0, prediction_.expected_root_mm}, {prediction_.search_tip_mm, prediction_.search_root_mm},
       kCoarseMm, all);
  const auto better = [](const Found& a, const Found& b) { return a.score > b.score; };
  const std::size_t starts = std::min(kStarts, all.size());
  std::partial_sort(all.begin(), all.begin() + static_cast<std::ptrdiff_t>(starts), all.end(),
                    better);
  for (std::size_t i = 0; i < starts; ++i) {
    Scan(RodLine(all[i].line), {kFineMm, kFineMm}, kFineMm, all);
  }
  Found best = *std::min_element(all.begin(), all.end(), better);
  Sharpen(best);
  return best;
}

void RodSearch::Scan(const RodLine& middle, const RodLine& half, double step_mm,
                     std::vector<Found>& found) const {
  ForGrid(middle, half, {step_mm, step_mm}, [&](const RodLine& line) {
    found.push_back({line, Score(line)});
  });
}

double RodSearch::RootPenalty(const RodLine& line) const {
  return HeavyTailed((line.root_mm - prediction_.expected_root_mm) / prediction_.root_sigma_mm);
}

double RodSearch::TurnPenalty(const RodLine& line) const {
  constexpr double kWeight = 2.0;
  constexpr double kUsualYawRad = 0.012;
  constexpr double kUsualParallaxMm = 0.3;  // what depth and height take away in the picture
  const double turn_mm = line.tip_mm - (line.root_mm - prediction_.expected_root_mm);
  return kWeight * HeavyTailed(turn_mm / (kUsualParallaxMm + kUsualYawRad * span_mm_));
}

double RodSearch::NearPenalty(const RodLine& line) const {
  return RootPenalty(line) + TurnPenalty(line);
}

double RodSearch::FarPenalty(const RodLine& line) const {
  constexpr double kLittleMm = 15.0;
  const double shown_mm = static_cast<double>(used_.size()) * stretches_.length_mm;
  return TipPenalty(line) + RootPenalty(line) +
         std::min(1.0, kLittleMm / shown_mm) * TurnPenalty(line);
}

void RodSearch::Sharpen(Found& best) const {
  const RodLine middle = best.line;
  const std::vector<int> kept = SteadiestStretches(Read(middle));
  best.line = Highest(middle, {0.35, 0.5}, {0.05, 0.1}, [&](const RodLine& line) {
    return Steadiness(Read(line), kept) + kOutlineWeight * Outlines(line) - NearPenalty(line);
  });
}

RodProfile RodSearch::Profile(const RodLine& line) const {
  const std::vector<cv::Vec3f> values = Read(line);
  RodProfile profile;
  std::vector<float> column_values(used_.size());
  for (std::size_t c = 0; c < columns_.size(); ++c) {
    if (columns_[c].zone != 0) continue;
    for (int channel = 0; channel < 3; ++channel) {
      for (std::size_t k = 0; k < used_.size(); ++k) {
        column_values[k] = At(values, static_cast<int>(k), c)[channel];
      }
      profile.push_back(MedianOf(column_values));
    }
  }
  Normalize(profile);
  return profile;
}

std::vector<double> RodSearch::CorrelationsAlong(const RodLine& line,
                                                 const RodProfile& pattern) const {
  return Correlations(Read(line), pattern);
}

double RodSearch::Likeness(std::vector<double> correlations) {
  std::sort(correlations.rbegin(), correlations.rend());
  const std::size_t n = std::max<std::size_t>(1, (7 * correlations.size()) / 10);
  return std::accumulate(correlations.begin(),
                         correlations.begin() + static_cast<std::ptrdiff_t>(n), 0.0) /
         static_cast<double>(n);
}

std::vector<double> RodSearch::RodShares(const std::vector<double>& correlations) {
  std::vector<double> shares = correlations;
  for (double& s : shares) s = 1.0 - s;  // how unlike it is
  const double odd = kOddStretch * MedianOf(shares) + 1e-6;
  for (double& s : shares) s = 1.0 / (1.0 + std::pow(s / odd, 4.0));
  return shares;
}

RodLine RodSearch::BestWithPattern(const RodLine& middle, const RodProfile& pattern) const {
  const std::vector<int> kept = SteadiestStretches(Read(middle));
  return Highest(middle, {0.6, 0.6}, {0.1, 0.1}, [&](const RodLine& line) {
    const std::vector<cv::Vec3f> values = Read(line);
    return Steadiness(values, kept) + kOutlineWeight * Outlines(line) +
           kPatternWeight * Likeness(Correlations(values, pattern)) - NearPenalty(line);
  });
}

RodLine RodSearch::BestAbout(const RodLine& expected, const RodProfile& pattern) const {
  return Highest(expected, {0.4, 0.4}, {0.1, 0.1}, [&](const RodLine& line) {
    const RodLine from_expected{line.tip_mm - expected.tip_mm,
                                line.root_mm - expected.root_mm + prediction_.expected_root_mm};
    return PictureValue(line, pattern) - NearPenalty(from_expected);
  });
}

double RodSearch::PictureValue(const RodLine& line, const RodProfile& pattern) const {
  const std::vector<cv::Vec3f> values = Read(line);
  return Steadiness(values, SteadiestStretches(values)) + kOutlineWeight * Outlines(line) +
         kPatternWeight * Likeness(Correlations(values, pattern));
}

RodLine RodSearch::BestAnywhereWithPattern(const RodProfile& pattern) const {
  constexpr double kStepMm = 0.2;
  const RodLine middle{0.0, prediction_.expected_root_mm};
  const RodLine half{prediction_.search_tip_mm, prediction_.search_root_mm};
  return Highest(middle, half, {kStepMm, kStepMm}, [&](const RodLine& line) {
    return PictureValue(line, pattern) - FarPenalty(line);
  });
}

double RodSearch::Outlines(const RodLine& line) const {
  double sum = 0.0;
  for (const int k : used_) {
    const double middle = line.At(stretches_.along_mm[static_cast<std::size_t>(k)], span_mm_);
    for (const double side : {-0.5, 0.5}) {
      sum += static_cast<double>(
          BetweenColumns(strength_.ptr<float>(k), strength_.cols,
                         picture_.Column(middle + side * prediction_.diameter_mm)));
    }
  }
  return sum / static_cast<double>(used_.size());
}

double RodSearch::Score(const RodLine& line) const {
  const std::vector<cv::Vec3f> values = Read(line);
  return Steadiness(values, SteadiestStretches(values)) + kFirstOutlineWeight * Outlines(line) -
         FarPenalty(line);
}

double RodSearch::Steadiness(const std::vector<cv::Vec3f>& values,
                             const std::vector<int>& kept) const {
  double log_sum[3] = {0.0, 0.0, 0.0};
  int count[3] = {0, 0, 0};
  for (std::size_t c = 0; c < columns_.size(); ++c) {
    const auto zone = static_cast<std::size_t>(columns_[c].zone);
    log_sum[zone] += std::log(ResidualVariance(values, kept, c) + noise2_);
    ++count[zone];
  }
  const double inside = log_sum[0] / count[0];
  const double outside = 0.5 * (log_sum[1] / count[1] + log_sum[2] / count[2]);
  return outside - inside;
}

double RodSearch::NoiseVariance() const {
  std::vector<float> steps;
  for (const int k : used_) {
    for (int c = 1; c < stretches_.bgr.cols; ++c) {
      const cv::Vec3f d =
          stretches_.bgr.at<cv::Vec3f>(k, c) - stretches_.bgr.at<cv::Vec3f>(k, c - 1);
      steps.push_back(std::sqrt(d.dot(d)));
    }
  }
  if (steps.empty()) return 1.0;
  const double step = static_cast<double>(MedianOf(steps));
  return (1.0 + step) * (1.0 + step);
}

std::vector<double> RodSearch::Correlations(const std::vector<cv::Vec3f>& values,
                                            const RodProfile& pattern) const {
  std::vector<double> correlations;
  RodProfile own;
  for (std::size_t k = 0; k < used_.size(); ++k) {
    own.clear();
    for (std::size_t c = 0; c < columns_.size(); ++c) {
      if (columns_[c].zone != 0) continue;
      const cv::Vec3f& v = At(values, static_cast<int>(k), c);
      own.insert(own.end(), {v[0], v[1], v[2]});
    }
    Normalize(own);
    correlations.push_back(
        static_cast<double>(std::inner_product(own.begin(), own.end(), pattern.begin(), 0.0F)));
  }
  return correlations;
}

std::vector<cv::Vec3f> RodSearch::Read(const RodLine& line) const {
  std::vector<cv::Vec3f> values;
  values.reserve(used_.size() * columns_.size());
  for (const int k : used_) {
    const double middle = line.At(stretches_.along_mm[static_cast<std::size_t>(k)], span_mm_);
    const auto* row = stretches_.bgr.ptr<cv::Vec3f>(k);
    for (const Column& column : columns_) {
      values.push_back(
          BetweenColumns(row, stretches_.bgr.cols, picture_.Column(middle + column.offset_mm)));
    }
  }
  return values;
}

const cv::Vec3f& RodSearch::At(const std::vector<cv::Vec3f>& values, int k,
                               std::size_t column) const {
  return values[static_cast<std::size_t>(k) * columns_.size() + column];
}

std::vector<int> RodSearch::SteadiestStretches(const std::vector<cv::Vec3f>& values) const {
  const int n = static_cast<int>(used_.size());
  std::vector<float> distance(static_cast<std::size_t>(n), 0.0F);
  std::vector<float> column_values(static_cast<std::size_t>(n));
  for (std::size_t c = 0; c < columns_.size(); ++c) {
    if (columns_[c].zone != 0) continue;
    cv::Vec3f median;
    for (int channel = 0; channel < 3; ++channel) {
      for (int k = 0; k < n; ++k) {
        column_values[static_cast<std::size_t>(k)] = At(values, k, c)[channel];
      }
      median[channel] = MedianOf(column_values);
    }
    for (int k = 0; k < n; ++k) {
      const cv::Vec3f d = At(values, k, c) - median;
      distance[static_cast<std::size_t>(k)] += std::min(900.0F, d.dot(d));
    }
  }
  std::vector<int> order(static_cast<std::size_t>(n));
  std::iota(order.begin(), order.end(), 0);
  std::sort(order.begin(), order.end(), [&](int a, int b) {
    return distance[static_cast<std::size_t>(a)] < distance[static_cast<std::size_t>(b)];
  });
  order.resize(static_cast<std::size_t>(std::max(4, (13 * n) / 20)));
  return order;
}

double RodSearch::ResidualVariance(const std::vector<cv::Vec3f>& values,
                                   const std::vector<int>& kept, std::size_t column) const {
  double n = 0.0;
  double su = 0.0;
  double suu = 0.0;
  cv::Vec3d sv(0, 0, 0);
  cv::Vec3d suv(0, 0, 0);
  double svv = 0.0;
  for (const int k : kept) {
    const double u =
        stretches_.along_mm[static_cast<std::size_t>(used_[static_cast<std::size_t>(k)])] /
        span_mm_;
    const cv::Vec3d v = At(values, k, column);
    n += 1.0;
    su += u;
    suu += u * u;
    sv += v;
    suv += u * v;
    svv += v.dot(v);
  }
  const double spread = suu - su * su / n;
  const cv::Vec3d covariance = suv - sv * (su / n);
  const double total = svv - sv.dot(sv) / n;
  const double explained = spread > 1e-9 ? covariance.dot(covariance) / spread : 0.0;
  return std::max(0.0, total - kForgivenDrift * explained) / n;
}

}  // namespace tinesight
