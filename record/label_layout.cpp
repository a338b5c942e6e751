#include "record/label_layout.hpp"

#include <algorithm>
#include <cstddef>

namespace tinesight {
namespace {

// A run of labels that stand shoulder to shoulder, moved together to their mean wish.
struct Pool {
  double sum = 0.0;
  std::size_t count = 0;
  [[nodiscard]] double Mean() const { return sum / static_cast<double>(count); }
};

}  // namespace

double LabelShrink(std::size_t count, const LabelBand& band) {
  if (count < 2) return 1.0;
  // Staggered, neighbours are half a label apart; the outermost stick out by half a label each.
  const double needed = 0.5 * (band.label_width_px + band.gap_px) * static_cast<double>(count - 1) +
                        band.label_width_px;
  return std::min(1.0, (band.right_px - band.left_px) / needed);
}

std::vector<LabelPlace> PlaceLabels(const std::vector<double>& targets_x_px,
                                    const LabelBand& band) {
  const std::size_t count = targets_x_px.size();
  if (count == 0) return {};
  const double pitch = band.label_width_px + band.gap_px;
  const double span = targets_x_px.back() - targets_x_px.front() + pitch;
  const double one_row = pitch * static_cast<double>(count);
  const bool staggered = one_row > 1.2 * span || one_row > band.right_px - band.left_px;
  const double step = staggered ? 0.5 * pitch : pitch;

  // With x_i = y_i + i * step the order condition is y ascending: isotonic regression.
  std::vector<Pool> pools;
  for (std::size_t i = 0; i < count; ++i) {
    pools.push_back({targets_x_px[i] - static_cast<double>(i) * step, 1});
    while (pools.size() > 1 && pools[pools.size() - 2].Mean() >= pools.back().Mean()) {
      const Pool last = pools.back();
      pools.pop_back();
      pools.back().sum += last.sum;
      pools.back().count += last.count;
    }
  }
  const double lowest = band.left_px + 0.5 * band.label_width_px;
  const double highest = std::max(
      lowest, band.right_px - 0.5 * band.label_width_px - static_cast<double>(count - 1) * step);
  std::vector<LabelPlace> places;
  for (const Pool& pool : pools) {
    const double y = std::clamp(pool.Mean(), lowest, highest);
    for (std::size_t i = 0; i < pool.count; ++i) {
      const std::size_t index = places.size();
      places.push_back(
          {y + static_cast<double>(index) * step, staggered ? static_cast<int>(index % 2) : 0});
    }
  }
  return places;
}

}  // namespace tinesight
