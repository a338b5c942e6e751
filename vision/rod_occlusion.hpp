#pragma once

#include "vision/outline_fit.hpp"
#include "vision/rod_stretches.hpp"

namespace tinesight {

/// Settles a line on its rod by what the rod hides. What lies behind a rod changes along it, the
/// rod's own look hardly does; toward an outline, blur lets more and more of what lies behind
/// through. So what a column shows, less its share of the ground beside the rod, is steady along
/// the rod: for the right line, and for no other. A shaded or shining side moves edges and
/// highlights away from the outline, but lets no ground through. Where the ground is as steady as
/// the rod, the line stays. `rows` are those that show the rod, `rows_px` long in the photo,
/// `scale` is that of their columns.
[[nodiscard]] RodLine SettleByOcclusion(const RodStretches& rows, const AcrossScale& scale,
                                        const ShownRod& rod, double rows_px, const RodLine& start);

}  // namespace tinesight
