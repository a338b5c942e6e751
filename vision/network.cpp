#include "vision/network.hpp"

#include <map>
#include <opencv2/core.hpp>
#include <opencv2/dnn.hpp>
#include <vector>

namespace tinesight {
namespace {

constexpr double kLeastContrast = 0.02;  // of a strip, of white, as in vision/training/network.py

cv::Mat Normalized(const cv::Mat& strip) {
  cv::Mat values;
  strip.reshape(1).convertTo(values, CV_32F, 1.0 / 255.0);
  cv::Scalar mean;
  cv::Scalar deviation;
  cv::meanStdDev(values, mean, deviation);
  const double scale = 1.0 / (deviation[0] + kLeastContrast);
  values.convertTo(values, CV_32F, scale, -mean[0] * scale);
  return values.reshape(3);
}

/// A network keeps what it computes inside, and photos are measured at the same time: each thread
/// has its own.
cv::dnn::Net& Parsed(const Network& network) {
  thread_local std::map<const Network*, cv::dnn::Net> parsed;
  const auto [at, added] = parsed.try_emplace(&network);
  if (added) {
    at->second =
        cv::dnn::readNetFromONNX(reinterpret_cast<const char*>(network.bytes), network.size);
  }
  return at->second;
}

cv::Mat ToldOfBothWays(const Network& network, const cv::Mat& input) {
  std::vector<cv::Mat> both{input, cv::Mat()};
  cv::flip(both[0], both[1], 1);
  cv::dnn::Net& net = Parsed(network);
  net.setInput(cv::dnn::blobFromImages(both));
  return net.forward().reshape(1, 2).clone();
}

}  // namespace

cv::Mat TellBothWays(const Network& network, const cv::Mat& strip) {
  return ToldOfBothWays(network, Normalized(strip));
}

cv::Mat TellBothWays(const Network& network, const cv::Mat& strip, double also) {
  const std::vector<cv::Mat> told{Normalized(strip), cv::Mat(strip.size(), CV_32F, also)};
  cv::Mat input;
  cv::merge(told, input);
  return ToldOfBothWays(network, input);
}

}  // namespace tinesight
