#include "vision/tine_detection.hpp"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <numeric>
#include <opencv2/imgproc.hpp>

#include "calibration/median.hpp"
#include "vision/straightened.hpp"

namespace tinesight {
namespace {

constexpr double kLongestStretchMm = 3.0;
constexpr int kStretchesPerTine = 25;
constexpr double kPatternWeight = 12.0;
constexpr double kOutlineWeight = 3.0;  // of edges against steadiness, both without unit
// Share of a slow change of the profile along the rod that is forgiven: a highlight wanders a
// little as the view changes, but a line that is askew changes the profile too.
constexpr double kForgivenDrift = 0.85;
constexpr double kOddStretch = 2.5;    // usual unlikenesses; such a stretch counts half: a spring
constexpr double kBlurMarginMm = 0.1;  // columns this near an outline mix inside and outside

/// The straightened picture gathered to stretches, at least kStretchesPerTine to a tine: each
/// pixel the median of its rows, so that glitter and grain go and edges along the rod stay.
struct Stretches {
  cv::Mat bgr;                   // CV_32FC3, stretches x columns
  double length_mm = 0.0;        // of each stretch
  std::vector<double> along_mm;  // middle of each stretch
};

Stretches Gather(const Straightened& picture) {
  const int most = cvRound(kLongestStretchMm / Straightened::kAlongStepMm);
  const int rows_each = std::clamp(picture.Rows() / kStretchesPerTine, 1, most);
  const int count = picture.Rows() / rows_each;
  Stretches result;
  result.length_mm = rows_each * Straightened::kAlongStepMm;
  result.bgr.create(count, picture.Columns(), CV_32FC3);
  std::vector<float> values(static_cast<std::size_t>(rows_each));
  for (int k = 0; k < count; ++k) {
    result.along_mm.push_back(picture.AlongMm(k * rows_each + 0.5 * (rows_each - 1)));
    for (int c = 0; c < picture.Columns(); ++c) {
      for (int channel = 0; channel < 3; ++channel) {
        for (int r = 0; r < rows_each; ++r) {
          values[static_cast<std::size_t>(r)] =
              picture.Bgr().at<cv::Vec3f>(k * rows_each + r, c)[channel];
        }
        result.bgr.at<cv::Vec3f>(k, c)[channel] = MedianOf(values);
      }
    }
  }
  cv::GaussianBlur(result.bgr, result.bgr, {0, 1}, 1.4, 0.0, cv::BORDER_REPLICATE);
  return result;
}

/// Gradient across of the stretches, norm over the color channels.
cv::Mat GradientNorm(const cv::Mat& bgr) {
  cv::Mat gradient;
  cv::Sobel(bgr, gradient, CV_32F, 1, 0, 1, 0.5, 0.0, cv::BORDER_REPLICATE);
  cv::Mat norm(bgr.size(), CV_32F);
  for (int r = 0; r < bgr.rows; ++r) {
    for (int c = 0; c < bgr.cols; ++c) {
      const cv::Vec3f& g = gradient.at<cv::Vec3f>(r, c);
      // Sobel of ksize 1 mixes no rows; the norm keeps edges between unlike colors.
      norm.at<float>(r, c) = std::sqrt(g.dot(g));
    }
  }
  return norm;
}

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

/// A line in the straightened picture: offset across at the pickup's face and at the root.
struct Line {
  double tip_mm = 0.0;
  double root_mm = 0.0;
  [[nodiscard]] double At(double along_mm, double span_mm) const {
    return tip_mm + (root_mm - tip_mm) * along_mm / span_mm;
  }
};

/// Finds the rod by what glare cannot fake: a straight round rod of one steel mirrors the same
/// surroundings along its whole length, so that its picture, straightened, has the same profile in
/// every stretch, while what lies behind it changes. It is tempting to look for the strongest
/// pair of edges instead; on steel these are the highlight's.
class RodSearch {
 public:
  RodSearch(const Straightened& picture, const Stretches& stretches, const TinePrediction& p,
            double visible_to_mm)
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

  [[nodiscard]] bool Usable() const { return used_.size() >= 4; }

  struct Found {
    Line line;
    double score = -1e9;
    double rival = -1e9;  // best score clearly elsewhere
  };

  /// The best line of the whole search range: coarsely, then finely about the best ones, as a rod
  /// many columns wide is not missed by a step of a tenth of its width.
  [[nodiscard]] Found Best() const {
    constexpr double kCoarseMm = 0.2;
    constexpr double kFineMm = 0.1;
    constexpr std::size_t kStarts = 5;
    std::vector<Found> all;
    Scan({0.0, prediction_.expected_root_mm},
         {prediction_.search_tip_mm, prediction_.search_root_mm}, kCoarseMm, all);
    const auto better = [](const Found& a, const Found& b) { return a.score > b.score; };
    const std::size_t starts = std::min(kStarts, all.size());
    std::partial_sort(all.begin(), all.begin() + static_cast<std::ptrdiff_t>(starts), all.end(),
                      better);
    for (std::size_t i = 0; i < starts; ++i) {
      Scan(Line(all[i].line), {kFineMm, kFineMm}, kFineMm, all);
    }
    Found best = *std::min_element(all.begin(), all.end(), better);
    for (const Found& f : all) {
      const double apart = std::max(std::abs(f.line.tip_mm - best.line.tip_mm),
                                    std::abs(f.line.root_mm - best.line.root_mm));
      if (apart > 0.6 * prediction_.diameter_mm) best.rival = std::max(best.rival, f.score);
    }
    Sharpen(best);
    return best;
  }

  /// Calls `visit` with every line of a grid about a middle; `half` and `step` are offsets at tip
  /// and root.
  template <typename Visit>
  static void ForGrid(const Line& middle, const Line& half, const Line& step, const Visit& visit) {
    constexpr double kLastMm = 1e-9;
    for (double t = -half.tip_mm; t <= half.tip_mm + kLastMm; t += step.tip_mm) {
      for (double r = -half.root_mm; r <= half.root_mm + kLastMm; r += step.root_mm) {
        visit(Line{middle.tip_mm + t, middle.root_mm + r});
      }
    }
  }

  /// Adds the lines of a grid with their scores.
  void Scan(const Line& middle, const Line& half, double step_mm, std::vector<Found>& found) const {
    ForGrid(middle, half, {step_mm, step_mm}, [&](const Line& line) {
      found.push_back({line, Score(line), -1e9});
    });
  }

  /// The line of the highest value of `value_of` on a grid about a middle, then on one of half its
  /// step about the best.
  template <typename ValueOf>
  [[nodiscard]] static Line Highest(const Line& middle, const Line& half, const Line& step,
                                    const ValueOf& value_of) {
    Line best = middle;
    double best_value = value_of(middle);
    const auto take_higher = [&](const Line& line) {
      const double value = value_of(line);
      if (value > best_value) {
        best_value = value;
        best = line;
      }
    };
    ForGrid(middle, half, step, take_higher);
    const Line fine{0.5 * step.tip_mm, 0.5 * step.root_mm};
    const Line about = best;  // `best` moves meanwhile
    ForGrid(about, fine, fine, take_higher);
    return best;
  }

  /// Minus the logarithm of the priors of a line's place at the pickup and at the root. Near their
  /// middle they are normal distributions; their tails are Student's, for most tines stand as they
  /// should, but the crooked ones are what is looked for.
  [[nodiscard]] static double TipPenalty(const Line& line) {
    constexpr double kUsualMm = 1.1;
    return HeavyTailed(line.tip_mm / kUsualMm);
  }
  [[nodiscard]] double RootPenalty(const Line& line) const {
    return HeavyTailed((line.root_mm - prediction_.expected_root_mm) / prediction_.root_sigma_mm);
  }
  [[nodiscard]] static double HeavyTailed(double sigmas) {
    constexpr double kHalfOfFreedomPlusOne = 1.5;
    return kHalfOfFreedomPlusOne * std::log1p(0.5 * sigmas * sigmas / kHalfOfFreedomPlusOne);
  }

  /// Near the best line, lets the outlines have their say: steadiness finds the rod, edges at
  /// both sides at the known width tell where exactly it is. The stretches that count as steady
  /// stay fixed, so that the score is smooth.
  void Sharpen(Found& best) const {
    const Line middle = best.line;
    const std::vector<int> kept = SteadiestStretches(Read(middle));
    best.line = Highest(middle, {0.35, 0.5}, {0.05, 0.1}, [&](const Line& line) {
      return Steadiness(Read(line), kept) + kOutlineWeight * Outlines(line) - RootPenalty(line);
    });
  }

  /// The rod's own profile along a line: per column inside it the median over the stretches, all
  /// color channels in a row, mean removed and normalized.
  [[nodiscard]] RodProfile Profile(const Line& line) const {
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

  /// Correlation of each used stretch's profile along a line with a pattern.
  [[nodiscard]] std::vector<double> CorrelationsAlong(const Line& line,
                                                      const RodProfile& pattern) const {
    return Correlations(Read(line), pattern);
  }

  /// The mean of the better 70 % of the stretches' correlations.
  [[nodiscard]] static double Likeness(std::vector<double> correlations) {
    std::sort(correlations.rbegin(), correlations.rend());
    const std::size_t n = std::max<std::size_t>(1, (7 * correlations.size()) / 10);
    return std::accumulate(correlations.begin(),
                           correlations.begin() + static_cast<std::ptrdiff_t>(n), 0.0) /
           static_cast<double>(n);
  }

  /// How much each stretch shows of the rod itself, 0 to 1, by its correlation with what the rod
  /// looks like: little where a tuning spring hides it, whose sides are easily taken for the rod's.
  [[nodiscard]] static std::vector<double> RodShares(const std::vector<double>& correlations) {
    std::vector<double> shares = correlations;
    for (double& s : shares) s = 1.0 - s;  // how unlike it is
    const double odd = kOddStretch * MedianOf(shares) + 1e-6;
    for (double& s : shares) s = 1.0 / (1.0 + std::pow(s / odd, 4.0));
    return shares;
  }

  /// The best line near `middle` when the rod is also to look like its neighbors do.
  [[nodiscard]] Line BestWithPattern(const Line& middle, const RodProfile& pattern) const {
    const std::vector<int> kept = SteadiestStretches(Read(middle));
    return Highest(middle, {0.6, 0.6}, {0.1, 0.1}, [&](const Line& line) {
      const std::vector<cv::Vec3f> values = Read(line);
      return Steadiness(values, kept) + kOutlineWeight * Outlines(line) +
             kPatternWeight * Likeness(Correlations(values, pattern)) - RootPenalty(line);
    });
  }

  /// The best line of the whole search range when the rod is also to look like its neighbors do.
  [[nodiscard]] Line BestAnywhereWithPattern(const RodProfile& pattern) const {
    constexpr double kStepMm = 0.2;
    const Line middle{0.0, prediction_.expected_root_mm};
    const Line half{prediction_.search_tip_mm, prediction_.search_root_mm};
    return Highest(middle, half, {kStepMm, kStepMm}, [&](const Line& line) {
      const std::vector<cv::Vec3f> values = Read(line);
      return Steadiness(values, SteadiestStretches(values)) + kOutlineWeight * Outlines(line) +
             kPatternWeight * Likeness(Correlations(values, pattern)) - TipPenalty(line) -
             RootPenalty(line);
    });
  }

  /// Mean strength of the edges at both outlines, 0 to 2.
  [[nodiscard]] double Outlines(const Line& line) const {
    double sum = 0.0;
    for (const int k : used_) {
      const double middle = line.At(stretches_.along_mm[static_cast<std::size_t>(k)], span_mm_);
      for (const double side : {-0.5, 0.5}) {
        const double x = std::clamp(picture_.Column(middle + side * prediction_.diameter_mm), 0.0,
                                    strength_.cols - 1.001);
        const int c = static_cast<int>(x);
        const auto f = static_cast<float>(x - c);
        const auto* row = strength_.ptr<float>(k);
        sum += static_cast<double>(row[c] * (1.0F - f) + row[c + 1] * f);
      }
    }
    return sum / static_cast<double>(used_.size());
  }

  /// Log ratio of how much the profile changes along the line outside and inside the rod, plus
  /// the logarithm of the prior.
  [[nodiscard]] double Score(const Line& line) const {
    const std::vector<cv::Vec3f> values = Read(line);
    return Steadiness(values, SteadiestStretches(values)) - TipPenalty(line) - RootPenalty(line);
  }

  [[nodiscard]] double Steadiness(const std::vector<cv::Vec3f>& values,
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

  /// The stretches that are looked at.
  [[nodiscard]] const std::vector<int>& Used() const { return used_; }

 private:
  struct Column {
    double offset_mm;
    int zone;  // 0 inside, 1 left of the rod, 2 right of it
  };

  [[nodiscard]] double NoiseVariance() const {
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

  static void Normalize(RodProfile& profile) {
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

  [[nodiscard]] std::vector<double> Correlations(const std::vector<cv::Vec3f>& values,
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

  /// Profile values, used stretches x columns, read along the line.
  [[nodiscard]] std::vector<cv::Vec3f> Read(const Line& line) const {
    std::vector<cv::Vec3f> values;
    values.reserve(used_.size() * columns_.size());
    for (const int k : used_) {
      const double middle = line.At(stretches_.along_mm[static_cast<std::size_t>(k)], span_mm_);
      const auto* row = stretches_.bgr.ptr<cv::Vec3f>(k);
      for (const Column& column : columns_) {
        const double x = std::clamp(picture_.Column(middle + column.offset_mm), 0.0,
                                    stretches_.bgr.cols - 1.001);
        const int c = static_cast<int>(x);
        const auto f = static_cast<float>(x - c);
        values.push_back(row[c] * (1.0F - f) + row[c + 1] * f);
      }
    }
    return values;
  }

  [[nodiscard]] const cv::Vec3f& At(const std::vector<cv::Vec3f>& values, int k,
                                    std::size_t column) const {
    return values[static_cast<std::size_t>(k) * columns_.size() + column];
  }

  /// The 65 % of stretches whose inside is nearest to the median profile: leaves out the tuning
  /// spring, the block, and a neighbor that crosses.
  [[nodiscard]] std::vector<int> SteadiestStretches(const std::vector<cv::Vec3f>& values) const {
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

  /// Variance of a column over the kept stretches about a straight line in `along`: a highlight
  /// may wander slowly as the view of the rod changes along it.
  [[nodiscard]] double ResidualVariance(const std::vector<cv::Vec3f>& values,
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

  const Straightened& picture_;
  const Stretches& stretches_;
  const TinePrediction& prediction_;
  double span_mm_;
  std::vector<int> used_;
  std::vector<Column> columns_;
  double noise2_ = 1.0;
  cv::Mat strength_;  // edge strength 0 to 1, stretches x columns
};

/// An outline point of the rod: side −1 left, +1 right.
struct OutlinePoint {
  double along_mm = 0.0;
  double across_mm = 0.0;
  double side = 0.0;
  double strength = 0.0;
  double weight = 0.0;
};

/// The strongest edge near where an outline is expected, to a fraction of a column.
std::optional<OutlinePoint> FindOutline(const Straightened& picture, const cv::Mat& gradient,
                                        double usual, int row, double expected_mm,
                                        double window_mm) {
  const auto* g = gradient.ptr<float>(row);
  const int from = std::max(1, cvRound(picture.Column(expected_mm - window_mm)));
  const int to = std::min(gradient.cols - 2, cvRound(picture.Column(expected_mm + window_mm)));
  int best = -1;
  double best_value = 0.0;
  for (int c = from; c <= to; ++c) {
    if (g[c] < g[c - 1] || g[c] < g[c + 1]) continue;
    const double off = (picture.AcrossMm(c) - expected_mm) / window_mm;
    const double value = static_cast<double>(g[c]) * (1.0 - 0.6 * off * off);
    if (value > best_value) {
      best_value = value;
      best = c;
    }
  }
  if (best < 0) return std::nullopt;
  const double l = static_cast<double>(g[best - 1]);
  const double m = static_cast<double>(g[best]);
  const double r = static_cast<double>(g[best + 1]);
  const double curvature = l - 2.0 * m + r;
  const double shift = curvature < -1e-9 ? 0.5 * (l - r) / curvature : 0.0;
  OutlinePoint point;
  point.across_mm = picture.AcrossMm(best + shift);
  point.strength = m * m / (m * m + 4.0 * usual * usual);
  return point;
}

struct RodFit {
  Line line;
  double half_width_mm = 0.0;
  double scatter_mm = 0.0;
  std::vector<OutlinePoint> points;
};

/// Line and width through the outline points: reweighted least squares (Tukey), the width held to
/// the known diameter by a prior of 4 %.
void SolveRod(RodFit& fit, double span_mm, double nominal_half_width_mm) {
  double tukey = 0.3;
  for (int iteration = 0; iteration < 15; ++iteration) {
    Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
    Eigen::Vector3d right = Eigen::Vector3d::Zero();
    std::vector<float> residuals;
    for (OutlinePoint& p : fit.points) {
      const double share = p.along_mm / span_mm;
      const Eigen::Vector3d row(1.0 - share, share, p.side);
      const Eigen::Vector3d state(fit.line.tip_mm, fit.line.root_mm, fit.half_width_mm);
      const double residual = p.across_mm - row.dot(state);
      residuals.push_back(static_cast<float>(std::abs(residual)));
      const double u = residual / tukey;
      p.weight = std::abs(u) < 1.0 ? p.strength * (1.0 - u * u) * (1.0 - u * u) : 0.0;
      normal += p.weight * row * row.transpose();
      right += p.weight * row * p.across_mm;
    }
    fit.scatter_mm = std::max(0.01, 1.4826 * static_cast<double>(MedianOf(residuals)));
    tukey = std::clamp(4.0 * fit.scatter_mm, 0.1, 0.3);
    const double prior = fit.scatter_mm * fit.scatter_mm /
                         (0.04 * 0.04 * nominal_half_width_mm * nominal_half_width_mm);
    normal(2, 2) += prior;
    right(2) += prior * nominal_half_width_mm;
    const Eigen::Vector3d state = normal.ldlt().solve(right);
    if (!state.allFinite()) return;
    fit.line = {state.x(), state.y()};
    fit.half_width_mm = state.z();
  }
}

/// The rod's outlines near a line, in the given rows; `shares`, parallel to them, says how much
/// each counts.
RodFit RefineRod(const Straightened& picture, const Stretches& stretches, const TinePrediction& p,
                 const Line& start, const std::vector<int>& rows,
                 const std::vector<double>& shares) {
  const double span_mm = p.gap_mm + p.length_mm;
  const cv::Mat gradient = GradientNorm(stretches.bgr);
  const auto usual = static_cast<double>(
      MedianOf(std::vector<float>(gradient.begin<float>(), gradient.end<float>())));
  RodFit fit;
  fit.line = start;
  fit.half_width_mm = 0.5 * p.diameter_mm;
  for (const double window_mm : {0.15, 0.15}) {
    std::vector<OutlinePoint> points;
    for (std::size_t k = 0; k < rows.size(); ++k) {
      const int row = rows[k];
      const double along = stretches.along_mm[static_cast<std::size_t>(row)];
      const double middle = fit.line.At(along, span_mm);
      for (const double side : {-1.0, 1.0}) {
        auto point = FindOutline(picture, gradient, usual, row, middle + side * fit.half_width_mm,
                                 window_mm);
        if (!point) continue;
        point->along_mm = along;
        point->side = side;
        point->strength *= shares[k];
        points.push_back(*point);
      }
    }
    if (points.size() < 6) return {};
    fit.points = std::move(points);
    SolveRod(fit, span_mm, 0.5 * p.diameter_mm);
  }
  return fit;
}

/// The fitted line as two points on the axis, placed where a line fit's errors are independent of
/// each other: one standard deviation of the points' places to either side of their middle.
std::vector<AxisPoint> GatherAxis(const Straightened& picture, const RodFit& fit, double span_mm) {
  double weight = 0.0;
  double sum = 0.0;
  double squares = 0.0;
  for (const OutlinePoint& p : fit.points) {
    weight += p.weight;
    sum += p.weight * p.along_mm;
    squares += p.weight * p.along_mm * p.along_mm;
  }
  if (weight < 2.0) return {};
  const double middle = sum / weight;
  const double deviation = std::sqrt(std::max(0.0, squares / weight - middle * middle));
  if (deviation < 1.0) return {};
  std::vector<AxisPoint> axis;
  for (const double side : {-1.0, 1.0}) {
    AxisPoint point;
    point.along_mm = middle + side * deviation;
    point.position_px = picture.PhotoPx(point.along_mm, fit.line.At(point.along_mm, span_mm));
    point.sigma_px = fit.scatter_mm * std::sqrt(2.0 / weight) * picture.PxPerMm(point.along_mm);
    axis.push_back(point);
  }
  return axis;
}

void DrawDebug(const Straightened& picture, const RodFit& fit, double span_mm, cv::Mat& debug) {
  picture.Bgr().convertTo(debug, CV_8UC3);
  cv::resize(debug, debug, {}, 2.0, 4.0, cv::INTER_NEAREST);
  const auto mark = [&](double along, double across, const cv::Scalar& color) {
    cv::circle(debug, {cvRound(2.0 * picture.Column(across)), cvRound(4.0 * picture.Row(along))}, 1,
               color, cv::FILLED);
  };
  for (const OutlinePoint& p : fit.points) {
    mark(p.along_mm, p.across_mm, p.weight > 0.0 ? cv::Scalar(0, 220, 0) : cv::Scalar(0, 0, 255));
  }
  for (double along = 0.0; along < span_mm; along += 2.0) {
    mark(along, fit.line.At(along, span_mm), {255, 200, 0});
  }
}

/// How far toward the root the tine can be seen before its block hides it, mm from the pickup
/// face: the line of sight clears a block of usual size over its top or past its side.
double VisibleToMm(const PhotoView& view, const TinePrediction& p) {
  constexpr double kBlockHalfHeightMm = 4.5;
  constexpr double kBlockHalfWidthMm = 4.0;
  const double span_mm = p.gap_mm + p.length_mm;
  const Eigen::Vector3d root = p.pickup_mm - span_mm * p.direction;
  const Eigen::Vector3d sight = root - view.CameraCenterMm();
  const double over_top = kBlockHalfHeightMm * sight.z() / std::max(1.0, std::abs(sight.y()));
  const double past_side = kBlockHalfWidthMm * sight.z() / std::max(1.0, std::abs(sight.x()));
  return span_mm - std::min({over_top, past_side, 0.5 * span_mm});
}

}  // namespace

struct TineScan::Impl {
  Impl(const PhotoView& view, const TinePrediction& p)
      : prediction(p),
        picture(view, AxisOf(p), -1.0, p.gap_mm + p.length_mm, HalfWidthMm(p)),
        stretches(Gather(picture)),
        search(picture, stretches, prediction, VisibleToMm(view, p)),
        rod_shares(search.Used().size(), 1.0) {}

  static Straightened::Axis AxisOf(const TinePrediction& p) {
    return {p.pickup_mm + Eigen::Vector3d(0.0, p.height_mm, 0.0), -p.direction.normalized()};
  }
  static double HalfWidthMm(const TinePrediction& p) {
    return std::max(p.search_tip_mm, std::abs(p.expected_root_mm) + p.search_root_mm) +
           p.diameter_mm;
  }

  TinePrediction prediction;
  Straightened picture;
  Stretches stretches;
  RodSearch search;
  RodSearch::Found found;
  double likeness = 1.0;
  std::vector<double> rod_shares;  // of the used stretches; 1 without a pattern
  std::optional<RodFit> fit;
  double disagreement_mm = 0.0;  // between the steadiest line and the outlines' line
};

TineScan::TineScan(const PhotoView& view, const TinePrediction& prediction)
    : impl_(std::make_unique<Impl>(view, prediction)) {
  usable_ = impl_->search.Usable();
  if (usable_) impl_->found = impl_->search.Best();
}
TineScan::~TineScan() = default;
TineScan::TineScan(TineScan&&) noexcept = default;
TineScan& TineScan::operator=(TineScan&&) noexcept = default;

double TineScan::RootOffsetMm() const { return impl_->found.line.root_mm; }

RodProfile TineScan::Profile() const { return impl_->search.Profile(impl_->found.line); }

double TineScan::Likeness() const { return impl_->likeness; }

void TineScan::LookAgain(const RodProfile& pattern) {
  impl_->found.line = impl_->search.BestWithPattern(impl_->found.line, pattern);
  const std::vector<double> correlations =
      impl_->search.CorrelationsAlong(impl_->found.line, pattern);
  impl_->likeness = RodSearch::Likeness(correlations);
  impl_->rod_shares = RodSearch::RodShares(correlations);
}

void TineScan::LookEverywhere(const RodProfile& pattern) {
  impl_->found.line = impl_->search.BestAnywhereWithPattern(pattern);
  LookAgain(pattern);
}

bool TineScan::FitOutlines() {
  if (!usable_) return false;
  const Line& start = impl_->found.line;
  RodFit fit = RefineRod(impl_->picture, impl_->stretches, impl_->prediction, start,
                         impl_->search.Used(), impl_->rod_shares);
  if (fit.points.empty()) return false;
  // Steadiness and outlines err in different ways: their mean is better than either, and how far
  // they disagree tells how much to trust it.
  impl_->disagreement_mm =
      std::hypot(fit.line.tip_mm - start.tip_mm, fit.line.root_mm - start.root_mm);
  constexpr double kOutlineShare = 0.6;
  fit.line.tip_mm += (1.0 - kOutlineShare) * (start.tip_mm - fit.line.tip_mm);
  fit.line.root_mm += (1.0 - kOutlineShare) * (start.root_mm - fit.line.root_mm);
  impl_->fit = std::move(fit);
  return true;
}

double TineScan::OutlinedMm() const {
  double sum = 0.0;
  for (const OutlinePoint& p : impl_->fit->points) sum += p.weight;
  return 0.5 * impl_->stretches.length_mm * sum;
}

double TineScan::OutlineShare() const {
  const std::vector<double>& shares = impl_->rod_shares;
  return OutlinedMm() /
         (std::accumulate(shares.begin(), shares.end(), 0.0) * impl_->stretches.length_mm);
}

RodStrip TineScan::Strip() const {
  const TinePrediction& p = impl_->prediction;
  const std::vector<int>& used = impl_->search.Used();
  const std::vector<double>& along = impl_->stretches.along_mm;
  RodStrip strip;
  strip.picture = &impl_->picture;
  strip.from_mm = along[static_cast<std::size_t>(used.front())];
  strip.to_mm = along[static_cast<std::size_t>(used.back())];
  strip.span_mm = p.gap_mm + p.length_mm;
  strip.radius_mm = 0.5 * p.diameter_mm;
  strip.tip_mm = impl_->fit->line.tip_mm;
  strip.root_mm = impl_->fit->line.root_mm;
  const double share = OutlineShare();
  strip.weight = std::max(1e-3, share * share);
  return strip;
}

void TineScan::MoveTo(const RodStrip& strip) { impl_->fit->line = {strip.tip_mm, strip.root_mm}; }

std::optional<TineDetection> TineScan::Finish(cv::Mat* debug) const {
  if (!usable_ || !impl_->fit) return std::nullopt;
  const TinePrediction& prediction = impl_->prediction;
  const Straightened& picture = impl_->picture;
  const double span_mm = prediction.gap_mm + prediction.length_mm;
  const RodFit& fit = *impl_->fit;
  TineDetection found;
  found.contrast = impl_->found.score;
  found.rival = impl_->found.rival;
  found.likeness = impl_->likeness;
  found.disagreement_mm = impl_->disagreement_mm;
  if (debug != nullptr) DrawDebug(picture, fit, span_mm, *debug);
  found.visible_mm = OutlinedMm();
  found.score = OutlineShare();
  found.scatter_px = fit.scatter_mm * picture.PxPerMm(0.3 * span_mm);
  found.width_ratio = 2.0 * fit.half_width_mm / prediction.diameter_mm;
  found.offset_tip_mm = fit.line.tip_mm;
  found.offset_root_mm = fit.line.root_mm;
  found.axis = GatherAxis(picture, fit, span_mm);
  if (found.axis.size() < 2) return std::nullopt;
  return found;
}

}  // namespace tinesight
