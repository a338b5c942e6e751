#pragma once

#include <vector>

namespace tinesight {

/// Where one label of a band stands.
struct LabelPlace {
  double center_x_px = 0.0;
  int row = 0;  ///< 0 is the row nearest to what is labeled
};

struct LabelBand {
  double left_px = 0.0;
  double right_px = 0.0;
  double label_width_px = 0.0;  ///< of every label
  double gap_px = 0.0;          ///< at least this between two labels of a row
};

/// Places one label for each target (ascending x) so that none covers another and every leader
/// line can run straight through the gaps of the nearer row: in one row where the labels then
/// stay near their targets, else staggered in two. Each is as near to its target as that allows
/// (least squares under the order: pool adjacent violators).
///
/// When even two rows are too narrow the labels overlap; LabelShrink says by what factor to
/// shrink them first.
[[nodiscard]] std::vector<LabelPlace> PlaceLabels(const std::vector<double>& targets_x_px,
                                                  const LabelBand& band);

/// Factor (at most 1) on the label width at which `count` labels fit in two rows.
[[nodiscard]] double LabelShrink(std::size_t count, const LabelBand& band);

}  // namespace tinesight
