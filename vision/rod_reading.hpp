#pragma once

#include "vision/outline_fit.hpp"
#include "vision/rod_stretches.hpp"

namespace tinesight {

/// Settles a line on its rod as a small network reads the picture about it, which was trained on
/// drawn and rendered rods (vision/training). Of every second of 64 rows it tells how far the rod's
/// middle lies from the line, and how much the row tells; the line moves to a line through these,
/// weighted, and held by how small the start's errors usually are. `rows` are those that show the
/// rod, `scale` is that of their columns.
[[nodiscard]] RodLine SettleByReading(const RodStretches& rows, const AcrossScale& scale,
                                      const ShownRod& rod, const RodLine& start);

}  // namespace tinesight
