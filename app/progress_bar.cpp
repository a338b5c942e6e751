#include "app/progress_bar.hpp"

#include <unistd.h>

#include <algorithm>
#include <cmath>
#include <iostream>

#include "record/text_util.hpp"

namespace tinesight {
namespace {

constexpr std::size_t kBarColumns = 30;
constexpr std::size_t kMaxColumns = 78;  // a wrapped line could not be wiped
constexpr std::chrono::milliseconds kRedrawInterval{80};

}  // namespace

ProgressBar::ProgressBar(bool verbose) : terminal_(isatty(STDERR_FILENO) == 1), verbose_(verbose) {}

ProgressBar::~ProgressBar() { Clear(); }

void ProgressBar::Show(double fraction, std::string_view stage) {
  const bool new_stage = stage != stage_;
  stage_ = stage;
  if (!terminal_) {
    if (verbose_ && new_stage) std::cerr << "tinesight: " << CleanText(stage) << '\n';
    return;
  }
  const auto now = std::chrono::steady_clock::now();
  if (!new_stage && now - last_drawn_ < kRedrawInterval) return;
  last_drawn_ = now;
  const double part = std::isfinite(fraction) ? std::clamp(fraction, 0.0, 1.0) : 0.0;
  const auto filled = static_cast<std::size_t>(std::lround(part * kBarColumns));
  std::string line = "[";
  line.append(filled, '#').append(kBarColumns - filled, '.').append("] ");
  line.append(PadLeft(FixedDecimals(100.0 * part, 0), 3)).append("%  ");
  const auto text = WrapText(CleanText(stage), kMaxColumns - line.size());
  if (!text.empty()) line += text.front();
  const std::size_t columns = DisplayWidth(line);
  std::cerr << '\r' << PadRight(line, drawn_columns_) << std::flush;
  drawn_columns_ = columns;
}

void ProgressBar::Clear() {
  if (drawn_columns_ == 0) return;
  std::cerr << '\r' << std::string(drawn_columns_, ' ') << '\r' << std::flush;
  drawn_columns_ = 0;
  stage_.clear();
}

}  // namespace tinesight
