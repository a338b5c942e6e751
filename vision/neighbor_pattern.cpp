#include "vision/neighbor_pattern.hpp"

#include <algorithm>
#include <cmath>
#include <numeric>

namespace tinesight {
namespace {

RodProfile WeightedMean(const std::vector<const RodProfile*>& profiles,
                        const std::vector<double>& weights) {
  RodProfile mean(profiles.front()->size(), 0.0F);
  for (std::size_t i = 0; i < profiles.size(); ++i) {
    const auto weight = static_cast<float>(weights[i]);
    for (std::size_t k = 0; k < mean.size(); ++k) mean[k] += weight * (*profiles[i])[k];
  }
  const float squares = std::inner_product(mean.begin(), mean.end(), mean.begin(), 0.0F);
  for (float& v : mean) v /= std::sqrt(std::max(squares, 1e-6F));
  return mean;
}

}  // namespace

RodProfile NeighborPattern(const std::vector<RodProfile>& profiles, std::size_t index) {
  constexpr int kReach = 3;
  constexpr int kRounds = 2;
  std::vector<const RodProfile*> neighbors;
  std::vector<double> nearness;
  for (int d = -kReach; d <= kReach; ++d) {
    const auto i = static_cast<std::ptrdiff_t>(index) + d;
    if (d == 0 || i < 0 || i >= static_cast<std::ptrdiff_t>(profiles.size())) continue;
    const RodProfile& neighbor = profiles[static_cast<std::size_t>(i)];
    if (neighbor.empty()) continue;
    neighbors.push_back(&neighbor);
    nearness.push_back(1.0 / std::abs(d));
  }
  if (neighbors.empty()) return {};
  RodProfile pattern = WeightedMean(neighbors, nearness);
  for (int round = 0; round < kRounds; ++round) {
    std::vector<double> correlations;
    correlations.reserve(neighbors.size());
    for (const RodProfile* n : neighbors) {
      correlations.push_back(
          static_cast<double>(std::inner_product(n->begin(), n->end(), pattern.begin(), 0.0F)));
    }
    std::vector<double> weights = RodSearch::RodShares(correlations);
    for (std::size_t i = 0; i < weights.size(); ++i) weights[i] *= nearness[i];
    pattern = WeightedMean(neighbors, weights);
  }
  return pattern;
}

}  // namespace tinesight
