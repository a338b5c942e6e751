#pragma once

#include <optional>

#include "vision/rod_stretches.hpp"
#include "vision/straightened.hpp"

namespace tinesight {

/// Where along its line a tine ends.
struct TipPlace {
  double along_mm = 0.0;  ///< from the pickup's face toward the mount
  double sigma_mm = 1.0;  ///< standard uncertainty
};

/// Where a tine ends before its pickup, as a small network reads the picture about its line, which
/// was trained on rendered tines (vision/training). `picture` shows `rod` along `line`;
/// `expected_mm` is where the end should be. nullopt: no end stands out within 5 mm of there;
/// farther off, a tuning spring's end is likelier taken for it.
[[nodiscard]] std::optional<TipPlace> ReadTip(const Straightened& picture, const ShownRod& rod,
                                              const RodLine& line, double expected_mm);

}  // namespace tinesight
