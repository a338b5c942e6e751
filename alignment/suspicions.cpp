#include "alignment/suspicions.hpp"

#include <Eigen/Core>
#include <algorithm>
#include <cmath>
#include <optional>
#include <string>

#include "alignment/robust.hpp"
#include "calibration/angle.hpp"
#include "calibration/formatted.hpp"

namespace tinesight {
namespace {

using Solved = SolvedNote;

constexpr double kCoverage = 2.0;
constexpr int kNeighbors = 8;                // to either side
constexpr std::size_t kFewestNeighbors = 6;  // a line through fewer follows the outlier

/// A figure with its standard uncertainty.
struct Known {
  double value = 0.0;
  double u = 0.0;
  [[nodiscard]] bool StandsOut(double threshold) const {
    // Beyond three standard uncertainties: some three hundred figures of a harp are looked at, of
    // which one in twenty is beyond two by chance alone.
    constexpr double kByNoChance = 3.0;
    return std::abs(value) > std::max(kByNoChance * u, threshold);
  }
};

/// A figure as the photos alone have it (see the header), and how much more they know than its
/// prior: the ratio of their information.
struct ByPhotos {
  Known known;
  double times_prior = 0.0;
};

/// Takes the prior of `sigma` about 0 out of a figure again; none where the photos say nothing.
/// Beyond `huber` sigma the solve's prior pulls less; `factor` is what it multiplied variances by.
std::optional<ByPhotos> WithoutPrior(double value, double variance, double sigma, double huber,
                                     double factor) {
  const double weight = std::min(1.0, huber * sigma / std::max(std::abs(value), 1e-12));
  const double of_prior = weight / (sigma * sigma * factor);
  const double of_photos = 1.0 / variance - of_prior;
  if (!(of_photos > 1e-3 * of_prior) || !std::isfinite(of_photos)) return std::nullopt;
  return ByPhotos{{value / (variance * of_photos), std::sqrt(1.0 / of_photos)},
                  of_photos / of_prior};
}

const char* Side(double toward_treble) {
  return toward_treble > 0.0 ? "toward treble" : "toward bass";
}
std::string DegreesWithU(const Known& angle_rad) {
  return Formatted("%.2f°", std::abs(angle_rad.value) * kDegPerRad) +
         Formatted(" (U %.2f°)", kCoverage * angle_rad.u * kDegPerRad);
}
std::string MmWithU(const Known& length_mm) {
  return Formatted("%.2f mm", std::abs(length_mm.value)) +
         Formatted(" (U %.2f)", kCoverage * length_mm.u);
}

/// Height of a note's tine over its target, where it is known best between root and middle.
Known HeightOfBar(const Solved& note, const NoteProfile& target) {
  const auto& c = note.covariance;
  const auto& s = note.state;
  // The axis at a distance d before the pickup's face has y + height − d · tan pitch.
  const double slope = 1.0 + std::tan(s(Solved::kPitch)) * std::tan(s(Solved::kPitch));
  const double u2_height = c(Solved::kY, Solved::kY) + 2.0 * c(Solved::kY, Solved::kHeight) +
                           c(Solved::kHeight, Solved::kHeight);
  const double shared =
      slope * (c(Solved::kY, Solved::kPitch) + c(Solved::kHeight, Solved::kPitch));
  const double u2_pitch = slope * slope * c(Solved::kPitch, Solved::kPitch);
  const double root_mm = target.tine_length_mm + s(Solved::kGap);
  const double at_mm = std::clamp(u2_pitch > 0.0 ? shared / u2_pitch : root_mm,
                                  root_mm - 0.5 * target.tine_length_mm, root_mm);
  const double u2 = u2_height - 2.0 * at_mm * shared + at_mm * at_mm * u2_pitch;
  return {
      s(Solved::kY) + s(Solved::kHeight) - at_mm * std::tan(s(Solved::kPitch)) - target.height_mm,
      std::sqrt(std::max(0.0, u2))};
}

/// How far a note's figure stands off the robust line through those of its neighbors.
std::optional<Known> OffNeighbors(int midi, const std::map<int, Known>& figures) {
  std::vector<std::pair<int, double>> near;
  for (const auto& [other, figure] : figures) {
    if (std::abs(other - midi) <= kNeighbors && other != midi) {
      near.emplace_back(other - midi, figure.value);
    }
  }
  if (near.size() < kFewestNeighbors) return std::nullopt;
  Eigen::VectorXd k(static_cast<Eigen::Index>(near.size()));
  Eigen::MatrixXd y(k.size(), 1);
  for (Eigen::Index i = 0; i < k.size(); ++i) {
    k(i) = near[static_cast<std::size_t>(i)].first;
    y(i, 0) = near[static_cast<std::size_t>(i)].second;
  }
  constexpr double kLeastScatter = 1e-6;  // mm or rad: far below any
  const RobustLine line = FitRobustLine(k, y, true, kLeastScatter);
  const double sum = line.weights.sum();
  const double mean = line.weights.dot(k) / sum;
  const double spread = line.weights.dot((k.array() - mean).square().matrix());
  const double u_line =
      line.effective_scale * std::sqrt(1.0 / sum + (spread > 0.0 ? mean * mean / spread : 0.0));
  const Known& own = figures.at(midi);
  return Known{own.value - line.offset(0), std::hypot(own.u, u_line)};
}

class Search {
 public:
  Search(const HarpSolution& solution, const HarpFrame& frame, const InstrumentProfile& profile)
      : solution_(solution),
        frame_(frame),
        profile_(profile),
        huber_(HarpSolveOptions{}.huber),
        factor_(solution.CovarianceFactor()) {}

  std::map<int, std::vector<Suspicion>> Run(DamperState damper) {
    if (damper != DamperState::kResting) LookForLowBars();
    LookAtAngles();
    LookAtPickups();
    return std::move(found_);
  }

 private:
  void Add(int midi, SuspicionKind kind, std::string text) {
    found_[midi].push_back({kind, std::move(text)});
  }

  void LookForLowBars() {
    std::map<int, Known> heights;
    for (const Solved& note : solution_.notes) {
      const NoteProfile* target = profile_.Find(note.midi);
      if (target != nullptr) heights[note.midi] = HeightOfBar(note, *target);
    }
    for (const auto& [midi, height] : heights) {
      const std::optional<Known> off = OffNeighbors(midi, heights);
      if (!off || off->value > 0.0 || !off->StandsOut(profile_.suspicion.tone_bar_low_mm)) continue;
      Add(midi, SuspicionKind::kToneBarLow,
          "tone bar low, " + MmWithU(*off) + " under its neighbors: check grommet and spring");
    }
  }

  [[nodiscard]] std::optional<ByPhotos> BarYaw(const Solved& note) const {
    if (!note.has_tone_bar) return std::nullopt;
    return WithoutPrior(note.tone_bar(2), note.tone_bar_covariance(2, 2),
                        profile_.prior_u.tone_bar_yaw_deg / kDegPerRad, huber_, factor_);
  }

  /// The tine against its bar, as solved; none where the photos can't tell, or contradict it.
  [[nodiscard]] std::optional<Known> Bend(const Solved& note) const {
    const auto tine =
        WithoutPrior(note.state(Solved::kYaw), note.covariance(Solved::kYaw, Solved::kYaw),
                     profile_.prior_u.tine_yaw_deg / kDegPerRad, huber_, factor_);
    const auto bar = BarYaw(note);
    if (!tine || !bar) return std::nullopt;
    const double threshold = profile_.suspicion.crooked_deg / kDegPerRad;
    const Known alone{tine->known.value - bar->known.value,
                      std::hypot(tine->known.u, bar->known.u)};
    const Known solved{
        note.state(Solved::kYaw) - note.tone_bar(2),
        std::sqrt(note.covariance(Solved::kYaw, Solved::kYaw) + note.tone_bar_covariance(2, 2))};
    const bool same_side = alone.value * solved.value > 0.0;
    if (!same_side || !alone.StandsOut(threshold) || !solved.StandsOut(threshold)) {
      return std::nullopt;
    }
    return solved;
  }

  void LookAtAngles() {
    std::map<int, Known> bars;
    for (const Solved& note : solution_.notes) {
      const auto bar = BarYaw(note);
      if (bar && bar->times_prior >= 1.0) bars[note.midi] = bar->known;
    }
    for (const Solved& note : solution_.notes) {
      if (const auto bend = Bend(note)) {
        Add(note.midi, SuspicionKind::kCrookedInBlock,
            "crooked in its block, " + DegreesWithU(*bend) + " " + Side(bend->value) +
                " of its tone bar");
        continue;
      }
      if (!bars.contains(note.midi)) continue;
      const auto skew = OffNeighbors(note.midi, bars);
      const double threshold = profile_.suspicion.skewed_deg / kDegPerRad;
      if (!skew || !skew->StandsOut(threshold)) continue;
      const Known tine{note.state(Solved::kYaw),
                       std::sqrt(note.covariance(Solved::kYaw, Solved::kYaw))};
      if (!tine.StandsOut(threshold) || tine.value * skew->value < 0.0) continue;
      Add(note.midi, SuspicionKind::kToneBarSkewed,
          "tone bar skewed, " + DegreesWithU(*skew) + " " + Side(skew->value) +
              " of its neighbors, and its tine with it");
    }
  }

  void LookAtPickups() {
    const double threshold_mm = profile_.suspicion.pickup_out_mm;
    for (const PickupDeviation& pickup : frame_.pickups) {
      const auto note =
          std::find_if(solution_.notes.begin(), solution_.notes.end(),
                       [&](const Solved& solved) { return solved.midi == pickup.midi; });
      if (note == solution_.notes.end()) continue;
      const auto off = [&](double deviation_mm, Solved::Index index) -> std::optional<Known> {
        const auto found = WithoutPrior(deviation_mm, note->covariance(index, index),
                                        profile_.prior_u.pickup_position_mm, huber_, factor_);
        if (!found || found->times_prior < 1.0) return std::nullopt;
        return found->known.StandsOut(threshold_mm) ? std::optional(found->known) : std::nullopt;
      };
      std::string where;
      if (const auto across = off(pickup.deviation_harp_mm.x(), Solved::kX)) {
        where = ", " + MmWithU(*across) + " " + Side(across->value) + " of its row";
      }
      if (const auto up = off(pickup.deviation_harp_mm.y(), Solved::kY)) {
        where += ", " + MmWithU(*up) + (up->value > 0.0 ? " above its row" : " below its row");
      }
      if (!where.empty()) {
        Add(pickup.midi, SuspicionKind::kPickupOutOfLine, "pickup out of line" + where);
      }
    }
  }

  const HarpSolution& solution_;
  const HarpFrame& frame_;
  const InstrumentProfile& profile_;
  double huber_;
  double factor_;
  std::map<int, std::vector<Suspicion>> found_;
};

}  // namespace

std::map<int, std::vector<Suspicion>> FindSuspicions(const HarpSolution& solution,
                                                     const HarpFrame& frame,
                                                     const InstrumentProfile& profile,
                                                     DamperState damper) {
  return Search(solution, frame, profile).Run(damper);
}

}  // namespace tinesight
