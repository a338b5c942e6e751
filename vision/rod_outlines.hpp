#pragma once

#include <vector>

#include "vision/note_observation.hpp"
#include "vision/outline_fit.hpp"
#include "vision/rod_reading.hpp"
#include "vision/rod_stretches.hpp"
#include "vision/straightened.hpp"
#include "vision/tine_prediction.hpp"

namespace tinesight {

/// The rod's outlines near a line, in the given rows of the stretches; `shares`, parallel to them,
/// says how much each counts, 0 to 1. Without points: no such pair of outlines stands out.
[[nodiscard]] OutlineFit RefineRod(const Straightened& picture, const RodStretches& stretches,
                                   const TinePrediction& p, const RodLine& start,
                                   const std::vector<int>& rows, const std::vector<double>& shares);

/// A line as two points on the axis, placed where a line fit's errors are independent of each
/// other: one standard deviation of the outline points' places to either side of their middle.
/// Empty: too little of the rod carries the line.
[[nodiscard]] std::vector<AxisPoint> GatherAxis(const Straightened& picture, const OutlineFit& fit,
                                                const RodReading& reading, double span_mm);

}  // namespace tinesight
