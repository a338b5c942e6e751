#pragma once

#include <chrono>
#include <string>
#include <string_view>

namespace tinesight {

/// A progress bar on stderr, drawn only where stderr is a terminal: logs and pipes stay clean.
/// With `verbose` and no terminal, each new stage is a plain line.
class ProgressBar {
 public:
  explicit ProgressBar(bool verbose);
  ~ProgressBar();
  ProgressBar(const ProgressBar&) = delete;
  ProgressBar& operator=(const ProgressBar&) = delete;

  void Show(double fraction, std::string_view stage);
  /// Wipes the bar, so that what is printed next starts on a clean line.
  void Clear();

 private:
  bool terminal_;
  bool verbose_;
  std::size_t drawn_columns_ = 0;
  std::string stage_;
  std::chrono::steady_clock::time_point last_drawn_{};
};

}  // namespace tinesight
