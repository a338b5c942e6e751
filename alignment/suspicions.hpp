#pragma once

#include <map>
#include <vector>

#include "alignment/harp_frame.hpp"
#include "alignment/harp_solve.hpp"
#include "alignment/measurement.hpp"
#include "alignment/profile.hpp"

namespace tinesight {

/// What the photos alone make one suspect, by MIDI number; notes without a suspicion are absent.
///
/// Each figure is put against what it should equal and must stand out by more than its own expanded
/// uncertainty (k = 3) and by more than the profile's threshold (InstrumentProfile::suspicion):
///
///   tone bar low        its height less the profile's target, under a robust line through the
///                       notes within eight of it. The bar itself is not measured in height: its
///                       tine stands for it, which block and bar carry, where the solve knows it
///                       best between root and middle, along which the bar lies.
///   crooked in block    tine yaw less tone bar yaw; the harp frame's turn drops out.
///   tone bar skewed     tone bar yaw off the robust line of its neighbors', and the tine
///                       stands out to the same side, without being crooked.
///   pickup out of line  pickup center off the row of the harp frame, sideways or in height.
///
/// What is looked for are outliers, and the solve's priors call everything ordinary: a bar that the
/// photos hardly show comes out square, and its tine, if the bar is skewed, crooked. So the prior
/// is taken out again. With the information (1/variance) I of a figure x as solved and I_p of its
/// prior about 0, the photos alone say x · I / (I − I_p) with the variance 1 / (I − I_p). A pickup
/// and a skewed bar are told by that, where the photos know at least as much as the prior; a
/// crooked tine must stand out both so and as solved.
///
/// A resting damper moves the tines up, each by its own: then no tone bar is called low.
[[nodiscard]] std::map<int, std::vector<Suspicion>> FindSuspicions(const HarpSolution& solution,
                                                                   const HarpFrame& frame,
                                                                   const InstrumentProfile& profile,
                                                                   DamperState damper);

}  // namespace tinesight
