#include "vision/ring_cross_check.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "vision/row_trend.hpp"

namespace tinesight {
namespace {

using RingMember = std::optional<CenterObservation> DetectedPickup::*;

/// From one ring of a pickup to another in the picture, px: across the direction in which a ring
/// moves with its depth, and along it.
struct Apart {
  double across_px;
  double along_px;
};

Apart Between(const DetectedPickup& p, RingMember a, RingMember b) {
  const Eigen::Vector2d d = (p.*b)->position_px - (p.*a)->position_px;
  return {p.deeper_px.x() * d.y() - p.deeper_px.y() * d.x(), p.deeper_px.dot(d)};
}

/// What two kinds of rings say of each other. They share an axis, so that in the picture one is
/// shifted against the other by an amount that changes evenly along the row. Pole tips may stand
/// out of their flanges by different amounts: to a pair with them only what is across counts.
struct RingPair {
  RingMember a;
  RingMember b;
  RowTrend across;
  RowTrend along;
  [[nodiscard]] bool WithPole() const {
    return b == &DetectedPickup::pole || b == &DetectedPickup::pole_in_row;
  }
  [[nodiscard]] bool Usable() const { return across.usable && along.usable; }
  [[nodiscard]] double ScatterPx() const {
    return std::max({across.scatter, WithPole() ? 0.0 : along.scatter, 0.1});
  }
  [[nodiscard]] double DeviationPx(const DetectedPickup& p) const {
    const Apart apart = Between(p, a, b);
    const double x = p.plane_mm.x();
    return std::hypot(apart.across_px - across.At(x),
                      WithPole() ? 0.0 : apart.along_px - along.At(x));
  }
  /// Far beyond the scatter, and more than rings of one pickup ever differ by in a clean picture.
  [[nodiscard]] bool Contradicts(const DetectedPickup& p) const {
    return DeviationPx(p) > std::max(1.0, 3.5 * ScatterPx());
  }
};

RingPair Compare(const std::vector<DetectedPickup>& pickups, RingMember a, RingMember b) {
  std::vector<double> x;
  std::vector<double> across;
  std::vector<double> along;
  for (const DetectedPickup& p : pickups) {
    if (!(p.*a) || !(p.*b)) continue;
    const Apart apart = Between(p, a, b);
    x.push_back(p.plane_mm.x());
    across.push_back(apart.across_px);
    along.push_back(apart.along_px);
  }
  return {a, b, FitRowTrend(x, across), FitRowTrend(x, along)};
}

}  // namespace

void CrossCheckRings(std::vector<DetectedPickup>& pickups) {
  const RingMember members[3] = {&DetectedPickup::flange, &DetectedPickup::collar,
                                 &DetectedPickup::pole};
  const RingPair pairs[3] = {Compare(pickups, members[0], members[1]),
                             Compare(pickups, members[0], members[2]),
                             Compare(pickups, members[1], members[2])};
  // Scatter of a pair is shared by its two; the least over its pairs is what a ring owns up to.
  for (DetectedPickup& pickup : pickups) {
    bool drop[3] = {false, false, false};
    for (int m = 0; m < 3; ++m) {
      if (!(pickup.*members[m])) continue;
      double least_scatter = 1e9;
      int agree = 0;
      int disagree = 0;
      for (const RingPair& pair : pairs) {
        if (!pair.Usable() || (pair.a != members[m] && pair.b != members[m])) continue;
        least_scatter = std::min(least_scatter, pair.ScatterPx());
        if (!(pickup.*pair.a) || !(pickup.*pair.b)) continue;
        (pair.Contradicts(pickup) ? disagree : agree) += 1;
      }
      drop[m] = disagree > 0 && agree == 0;
      if (least_scatter < 1e8) {
        double& sigma = (pickup.*members[m])->sigma_px;
        // Two rings share the scatter: half of its variance each.
        sigma = std::hypot(sigma, least_scatter / std::numbers::sqrt2);
      }
    }
    // Two rings that contradict each other with no third to judge: the larger one is dropped, as
    // the far flange is its usual mistake.
    if (drop[0] && drop[1] && !(pickup.pole)) drop[1] = false;
    if (drop[0] && drop[2] && !(pickup.collar)) drop[2] = false;
    if (drop[1] && drop[2] && !(pickup.flange)) drop[2] = false;
    if (drop[0] && drop[1] && drop[2]) continue;
    for (int m = 0; m < 3; ++m) {
      if (drop[m]) (pickup.*members[m]).reset();
    }
  }
}

void CheckPolesInRow(std::vector<DetectedPickup>& pickups) {
  const RingPair pair = Compare(pickups, &DetectedPickup::flange, &DetectedPickup::pole_in_row);
  for (DetectedPickup& pickup : pickups) {
    auto& pole = pickup.pole_in_row;
    if (!pole) continue;
    if (!pair.Usable() || !pickup.flange || pair.Contradicts(pickup)) {
      pole.reset();
      continue;
    }
    const double flange_px = pickup.flange->sigma_px;
    pole->sigma_px =
        std::sqrt(std::max(pole->sigma_px * pole->sigma_px,
                           pair.ScatterPx() * pair.ScatterPx() - flange_px * flange_px));
  }
}

}  // namespace tinesight
