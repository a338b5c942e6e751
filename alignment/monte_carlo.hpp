#pragma once

#include <Eigen/Core>
#include <vector>

namespace tinesight {

/// Propagation of distributions (JCGM 101) where the law of propagation of uncertainty can't be
/// trusted. Draws are evenly spread instead of random: no seed, the same answer on every machine,
/// and an error that falls nearly as 1/n instead of 1/√n.

/// Draw `index` (1, 2, …) of `dimensions` (1 … 10) independent numbers that fill (0, 1) evenly:
/// Halton's points, the digits of `index` in the prime bases 2, 3, 5, … mirrored at the point
/// (J. H. Halton, Numerische Mathematik 2, 1960, 84–90; from memory).
[[nodiscard]] Eigen::VectorXd UniformDraw(int index, int dimensions);

/// The same of independent standard normal numbers, at most 9, through Box and Muller's
/// transformation of pairs.
[[nodiscard]] Eigen::VectorXd NormalDraw(int index, int dimensions);

struct CoverageInterval {
  double low = 0.0;
  double high = 0.0;
};

/// Interval that leaves the share `tail` of the draws out at either end (the probabilistically
/// symmetric one of JCGM 101, 7.7). Preconditions: draws; 0 ≤ tail < 0.5.
[[nodiscard]] CoverageInterval SymmetricInterval(std::vector<double> draws, double tail);

}  // namespace tinesight
