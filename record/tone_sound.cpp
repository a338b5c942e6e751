#include "record/tone_sound.hpp"

#include <sndfile.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <cstring>
#include <memory>
#include <system_error>

#include "alignment/note_name.hpp"
#include "calibration/file_io.hpp"
#include "record/safe_name.hpp"
#include "record/text_util.hpp"

namespace tinesight {
namespace {

constexpr double kPeak = 0.708;  // −3 dB of full scale

// A file in memory, as libsndfile writes to it.
struct MemoryFile {
  std::string bytes;
  std::size_t at = 0;
};

sf_count_t Length(void* user) {
  return static_cast<sf_count_t>(static_cast<MemoryFile*>(user)->bytes.size());
}

sf_count_t Seek(sf_count_t offset, int whence, void* user) {
  auto& file = *static_cast<MemoryFile*>(user);
  const auto size = static_cast<sf_count_t>(file.bytes.size());
  const sf_count_t base = whence == SEEK_SET   ? 0
                          : whence == SEEK_CUR ? static_cast<sf_count_t>(file.at)
                                               : size;
  file.at = static_cast<std::size_t>(std::max<sf_count_t>(base + offset, 0));
  return static_cast<sf_count_t>(file.at);
}

sf_count_t Read(void* to, sf_count_t count, void* user) {
  auto& file = *static_cast<MemoryFile*>(user);
  if (file.at >= file.bytes.size()) return 0;
  const std::size_t got = std::min(static_cast<std::size_t>(count), file.bytes.size() - file.at);
  std::memcpy(to, file.bytes.data() + file.at, got);
  file.at += got;
  return static_cast<sf_count_t>(got);
}

sf_count_t Write(const void* from, sf_count_t count, void* user) {
  auto& file = *static_cast<MemoryFile*>(user);
  const auto size = static_cast<std::size_t>(count);
  if (file.bytes.size() < file.at + size) file.bytes.resize(file.at + size);
  std::memcpy(file.bytes.data() + file.at, from, size);
  file.at += size;
  return count;
}

sf_count_t Tell(void* user) { return static_cast<sf_count_t>(static_cast<MemoryFile*>(user)->at); }

struct Closer {
  void operator()(SNDFILE* file) const { sf_close(file); }
};

Result<std::string> WavBytes(const std::vector<double>& signal, const std::string& title) {
  SF_INFO info{};
  info.samplerate = static_cast<int>(SoundOptions{}.sample_rate_hz);
  info.channels = 1;
  info.format = SF_FORMAT_WAV | SF_FORMAT_PCM_24;
  SF_VIRTUAL_IO memory_io{Length, Seek, Read, Write, Tell};
  MemoryFile memory;
  std::unique_ptr<SNDFILE, Closer> file(sf_open_virtual(&memory_io, SFM_WRITE, &info, &memory));
  if (!file) return Fail("the sound can't be written: " + std::string(sf_strerror(nullptr)));
  sf_set_string(file.get(), SF_STR_TITLE, title.c_str());
  sf_set_string(file.get(), SF_STR_COMMENT,
                "PREDICTION, not a recording: computed from where the tine stands before its "
                "pickup. Soft, medium and hard stroke.");
  sf_set_string(file.get(), SF_STR_SOFTWARE, "tinesight");
  const auto count = static_cast<sf_count_t>(signal.size());
  if (sf_write_double(file.get(), signal.data(), count) != count) {
    return Fail("the sound can't be written: " + std::string(sf_strerror(file.get())));
  }
  file.reset();  // the header is finished on closing
  return memory.bytes;
}

double Peak(const std::vector<double>& signal) {
  double peak = 0.0;
  for (const double sample : signal) peak = std::max(peak, std::abs(sample));
  return peak;
}

double Rms(const std::vector<double>& signal) {
  double sum = 0.0;
  for (const double sample : signal) sum += sample * sample;
  return std::sqrt(sum / static_cast<double>(signal.size()));
}

std::vector<double> Scaled(std::vector<double> signal, double gain) {
  for (double& sample : signal) sample *= gain;
  return signal;
}

std::string FileStem(int midi) { return "prediction_" + SafeFileName(NoteName(midi)) + "_"; }

std::string Title(const NoteProfile& target, const std::string& which, const PickupPlace& place) {
  return "Predicted tone of " + NoteName(target.midi) + ", " + which + ": lateral " +
         FixedDecimals(place.lateral_mm, 2) + ", height " + FixedDecimals(place.height_mm, 2) +
         ", gap " + FixedDecimals(place.gap_mm, 2) + " mm";
}

}  // namespace

Result<std::vector<std::filesystem::path>> WritePredictedSounds(const std::filesystem::path& folder,
                                                                const NoteProfile& target,
                                                                const ToneProfile& tone,
                                                                const SoundComparison& comparison) {
  std::error_code failure;
  std::filesystem::create_directories(folder, failure);
  if (failure) return Fail(folder.string() + ": can't be made: " + failure.message());
  const std::vector<double> now = PredictedSignal(comparison.now, target, tone);
  const std::vector<double> then = PredictedSignal(comparison.then, target, tone);
  // A tine exactly where the pickup is deaf gives silence; no gain is to blow up its rounding.
  const auto gain = [](double wanted, double size) { return size > 1e-9 ? wanted / size : 0.0; };
  const double common = gain(kPeak, std::max(Peak(now), Peak(then)));
  std::vector<double> now_matched = Scaled(now, gain(1.0, Rms(now)));
  std::vector<double> then_matched = Scaled(then, gain(1.0, Rms(then)));
  const double matched = gain(kPeak, std::max(Peak(now_matched), Peak(then_matched)));

  struct Sound {
    const char* name;
    std::vector<double> signal;
    std::string title;
  };
  const std::string now_title = Title(target, "now", comparison.now);
  const std::string then_title = Title(target, "then", comparison.then);
  const std::array<Sound, 4> sounds{
      {{"now", Scaled(now, common), now_title},
       {"then", Scaled(then, common), then_title},
       {"now_level-matched", Scaled(now_matched, matched), now_title + ", level matched"},
       {"then_level-matched", Scaled(then_matched, matched), then_title + ", level matched"}}};
  std::vector<std::filesystem::path> files;
  for (const Sound& sound : sounds) {
    const Result<std::string> bytes = WavBytes(sound.signal, sound.title);
    if (!bytes) return tl::unexpected(bytes.error());
    files.push_back(folder / (FileStem(target.midi) + sound.name + ".wav"));
    if (auto written = WriteFileAtomically(files.back(), *bytes); !written) {
      return tl::unexpected(written.error());
    }
  }
  return files;
}

}  // namespace tinesight
