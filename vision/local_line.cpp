#include "vision/local_line.hpp"

#include <cmath>

namespace tinesight {

std::vector<double> LocalLineShares(const std::vector<double>& places,
                                    const std::vector<double>& weights, double place,
                                    double reach) {
  std::vector<double> shares;
  double sum = 0.0;
  double mean = 0.0;
  for (std::size_t k = 0; k < places.size(); ++k) {
    const double apart = (places[k] - place) / reach;
    shares.push_back(weights[k] * std::exp(-apart * apart));
    sum += shares.back();
    mean += shares.back() * apart;
  }
  mean /= sum;
  double spread = 0.0;
  for (std::size_t k = 0; k < places.size(); ++k) {
    const double off = (places[k] - place) / reach - mean;
    spread += shares[k] * off * off / sum;
  }
  for (std::size_t k = 0; k < places.size(); ++k) {
    const double off = (places[k] - place) / reach - mean;
    shares[k] *= (1.0 - (spread > 1e-9 ? mean * off / spread : 0.0)) / sum;
  }
  return shares;
}

}  // namespace tinesight
