#include "alignment/monte_carlo.hpp"

#include <algorithm>
#include <array>
#include <cassert>
#include <cmath>
#include <complex>
#include <cstddef>
#include <numbers>

namespace tinesight {
namespace {

constexpr std::array kPrimes{2, 3, 5, 7, 11, 13, 17, 19, 23, 29};

// Digits of `index` mirrored at the point (van der Corput).
double Mirrored(int index, int base) {
  double value = 0.0;
  for (double weight = 1.0 / base; index > 0; index /= base, weight /= base) {
    value += weight * (index % base);
  }
  return value;
}

}  // namespace

Eigen::VectorXd UniformDraw(int index, int dimensions) {
  assert(index > 0 && dimensions > 0 && dimensions <= static_cast<int>(kPrimes.size()));
  Eigen::VectorXd draw(dimensions);
  for (int i = 0; i < dimensions; ++i) {
    draw(i) = Mirrored(index, kPrimes[static_cast<std::size_t>(i)]);
  }
  return draw;
}

Eigen::VectorXd NormalDraw(int index, int dimensions) {
  const int pairs = (dimensions + 1) / 2;
  const Eigen::VectorXd uniform = UniformDraw(index, 2 * pairs);
  Eigen::VectorXd draw(2 * pairs);
  for (int pair = 0; pair < pairs; ++pair) {
    const std::complex<double> two = std::polar(std::sqrt(-2.0 * std::log(uniform(2 * pair))),
                                                2.0 * std::numbers::pi * uniform(2 * pair + 1));
    draw(2 * pair) = two.real();
    draw(2 * pair + 1) = two.imag();
  }
  return draw.head(dimensions);
}

CoverageInterval SymmetricInterval(std::vector<double> draws, double tail) {
  assert(!draws.empty() && tail >= 0.0 && tail < 0.5);
  std::sort(draws.begin(), draws.end());
  const auto cut = static_cast<std::size_t>(tail * static_cast<double>(draws.size()));
  return {draws[cut], draws[draws.size() - 1 - cut]};
}

}  // namespace tinesight
