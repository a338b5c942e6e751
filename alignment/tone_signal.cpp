#include "alignment/tone_signal.hpp"

#include <cmath>
#include <cstddef>
#include <numbers>

#include "alignment/cantilever.hpp"

namespace tinesight {
namespace {

constexpr double kPi = std::numbers::pi;
constexpr int kOversampling = 4;
constexpr int kHalfTaps = 96;       // of the filter, at the higher rate
constexpr double kPassband = 0.9;   // of half the output rate
constexpr double kFadeInS = 0.003;  // the hammer's touch
constexpr double kFadeOutS = 0.05;
constexpr double kSecondModeDecay = 10.0;

double DecayS(double tine_length_mm) { return std::sqrt(tine_length_mm / 50.0); }

// 0 … 1 … 0 over a stroke, without a click at either end.
double Fade(double time_s, double stroke_s) {
  const auto rise = [](double share) {
    return share >= 1.0 ? 1.0 : 0.5 - 0.5 * std::cos(kPi * std::max(share, 0.0));
  };
  return rise(time_s / kFadeInS) * rise((stroke_s - time_s) / kFadeOutS);
}

// One damped mode: its excursion and its speed per angular frequency of the fundamental, mm.
struct Swing {
  double excursion_mm = 0.0;
  double speed_mm = 0.0;
};
Swing Mode(double time_s, double amplitude_mm, double angular_hz, double ratio, double decay_s) {
  const double size_mm = amplitude_mm * std::exp(-time_s / decay_s);
  const double phase = ratio * angular_hz * time_s;
  return {size_mm * std::sin(phase),
          size_mm * (ratio * std::cos(phase) - std::sin(phase) / (decay_s * angular_hz))};
}

void AppendStroke(const PickupPlace& place, const NoteProfile& target, const TineStroke& stroke,
                  double rate_hz, double stroke_s, std::vector<double>& signal) {
  const double angular_hz = 2.0 * kPi * EqualTemperamentHz(target.midi);
  const double decay_s = DecayS(target.tine_length_mm);
  const double radius_mm = PoleRadiusMm(target);
  const auto count = static_cast<std::size_t>(stroke_s * rate_hz);
  for (std::size_t i = 0; i < count; ++i) {
    const double time_s = static_cast<double>(i) / rate_hz;
    const Swing first = Mode(time_s, stroke.amplitude_mm, angular_hz, 1.0, decay_s);
    const Swing second = Mode(time_s, stroke.amplitude_mm * stroke.second_mode_share, angular_hz,
                              stroke.second_mode_ratio, decay_s / kSecondModeDecay);
    signal.push_back(Fade(time_s, stroke_s) * (first.speed_mm + second.speed_mm) *
                     PickupFluxSlope(place, radius_mm, first.excursion_mm + second.excursion_mm));
  }
}

// Low pass by a sinc under a Blackman window, of unit gain, at the higher rate.
std::vector<double> LowPass() {
  std::vector<double> taps;
  double sum = 0.0;
  for (int i = -kHalfTaps; i <= kHalfTaps; ++i) {
    const double x = kPassband * i / kOversampling;
    const double sinc = i == 0 ? 1.0 : std::sin(kPi * x) / (kPi * x);
    const double share = kPi * i / kHalfTaps;
    const double window = 0.42 + 0.5 * std::cos(share) + 0.08 * std::cos(2.0 * share);
    taps.push_back(sinc * window);
    sum += taps.back();
  }
  for (double& tap : taps) tap /= sum;
  return taps;
}

std::vector<double> Decimated(const std::vector<double>& signal) {
  const std::vector<double> taps = LowPass();
  const auto length = static_cast<std::ptrdiff_t>(signal.size());
  std::vector<double> result;
  for (std::ptrdiff_t center = 0; center < length; center += kOversampling) {
    double sum = 0.0;
    for (int i = -kHalfTaps; i <= kHalfTaps; ++i) {
      const std::ptrdiff_t at = center + i;
      if (at < 0 || at >= length) continue;
      sum += taps[static_cast<std::size_t>(i + kHalfTaps)] * signal[static_cast<std::size_t>(at)];
    }
    result.push_back(sum);
  }
  return result;
}

}  // namespace

std::vector<double> PredictedSignal(const PickupPlace& place, const NoteProfile& target,
                                    const ToneProfile& tone, const SoundOptions& options) {
  std::vector<double> signal;
  for (const Dynamic dynamic : kDynamics) {
    AppendStroke(place, target, StrokeOf(target, tone, dynamic),
                 kOversampling * options.sample_rate_hz, options.stroke_s, signal);
  }
  return Decimated(signal);
}

}  // namespace tinesight
