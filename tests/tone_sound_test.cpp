// The predicted sound: what the files hold, and that they say what they are.

#include "record/tone_sound.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sndfile.h>

#include <cmath>
#include <complex>
#include <fstream>
#include <numbers>

#include "alignment/cantilever.hpp"
#include "tests/temp_folder.hpp"

namespace tinesight {
namespace {

using ::testing::HasSubstr;

NoteProfile Target(int midi) {
  NoteProfile target;
  target.midi = midi;
  target.tine_length_mm = TineLengthForMassRatioMm(EqualTemperamentHz(midi), 1.9);
  target.gap_mm = 1.5;
  target.height_mm = 1.0;
  return target;
}

struct Wav {
  SF_INFO info{};
  std::vector<double> samples;
  std::string title, comment;
};

Wav ReadWav(const std::filesystem::path& file) {
  Wav wav;
  SNDFILE* opened = sf_open(file.c_str(), SFM_READ, &wav.info);
  EXPECT_NE(opened, nullptr) << file;
  if (opened == nullptr) return wav;
  wav.samples.resize(static_cast<std::size_t>(wav.info.frames));
  EXPECT_EQ(sf_read_double(opened, wav.samples.data(), wav.info.frames), wav.info.frames);
  const auto text = [&](int key) {
    const char* value = sf_get_string(opened, key);
    return std::string(value != nullptr ? value : "");
  };
  wav.title = text(SF_STR_TITLE);
  wav.comment = text(SF_STR_COMMENT);
  sf_close(opened);
  return wav;
}

double Rms(const std::vector<double>& samples) {
  double sum = 0.0;
  for (const double sample : samples) sum += sample * sample;
  return std::sqrt(sum / static_cast<double>(samples.size()));
}

// Amplitude at a frequency in [from_s, to_s), under a Hann window.
double Partial(const std::vector<double>& samples, double hz, double from_s, double to_s) {
  const double rate = SoundOptions{}.sample_rate_hz;
  const auto from = static_cast<std::size_t>(from_s * rate),
             to = static_cast<std::size_t>(to_s * rate);
  std::complex<double> sum;
  for (std::size_t i = from; i < to; ++i) {
    const double share = static_cast<double>(i - from) / static_cast<double>(to - from);
    const double window = 1.0 - std::cos(2.0 * std::numbers::pi * share);
    sum += window * samples[i] *
           std::polar(1.0, -2.0 * std::numbers::pi * hz * static_cast<double>(i) / rate);
  }
  return 2.0 * std::abs(sum) / static_cast<double>(to - from);
}

TEST(PredictedSounds, AreFourFilesThatSayWhatTheyAre) {
  const tinesight::testing::TempFolder folder;
  const auto files =
      WritePredictedSounds(folder / "out", Target(42), {}, {{0.9, 1.0, 1.5}, {0.0, 1.0, 1.5}});
  ASSERT_TRUE(files) << files.error().message;
  ASSERT_EQ(files->size(), 4U);
  EXPECT_EQ((*files)[0].filename(), "prediction_F#2_now.wav");
  EXPECT_EQ((*files)[3].filename(), "prediction_F#2_then_level-matched.wav");
  for (const auto& file : *files) {
    const Wav wav = ReadWav(file);
    EXPECT_EQ(wav.info.samplerate, 48000);
    EXPECT_EQ(wav.info.channels, 1);
    EXPECT_EQ(wav.info.format, SF_FORMAT_WAV | SF_FORMAT_PCM_24);
    EXPECT_EQ(wav.samples.size(), 216'000U);  // three strokes of 1.5 s
    EXPECT_THAT(wav.title, HasSubstr("Predicted tone of F#2"));
    EXPECT_THAT(wav.comment, HasSubstr("PREDICTION, not a recording"));
    for (const double sample : wav.samples) ASSERT_LT(std::abs(sample), 0.75);
  }
}

TEST(PredictedSounds, KeepOrTakeAwayTheDifferenceInLevel) {
  const tinesight::testing::TempFolder folder;
  const NoteProfile target = Target(42);
  const PickupPlace now{1.2, 1.0, 1.5}, then{0.0, 1.0, 1.5};
  const auto files = WritePredictedSounds(folder.Path(), target, {}, {now, then});
  ASSERT_TRUE(files) << files.error().message;
  std::vector<std::vector<double>> sounds;
  for (const auto& file : *files) sounds.push_back(ReadWav(file).samples);
  EXPECT_NEAR(Rms(sounds[2]), Rms(sounds[3]), 1e-5);
  const double heard_db = 20.0 * std::log10(Rms(sounds[1]) / Rms(sounds[0]));
  // The loud strokes make the mean; hard and medium differ in their change by less than this.
  const double medium = PredictToneDb(then, 1.5, StrokeOf(target, {}, Dynamic::kMedium))(0) -
                        PredictToneDb(now, 1.5, StrokeOf(target, {}, Dynamic::kMedium))(0);
  EXPECT_NEAR(heard_db, medium, 0.5);
}

// Early in the medium stroke the harmonics in the signal are those of the model, at the amplitude
// that the tine still has there.
TEST(PredictedSignal, HasTheHarmonicsOfTheModel) {
  for (const int midi : {40, 69, 88}) {
    const NoteProfile target = Target(midi);
    const PickupPlace place{0.2, 0.9, 1.4};
    SoundOptions options;
    const std::vector<double> signal = PredictedSignal(place, target, {}, options);
    const double hz = EqualTemperamentHz(midi);
    const double from_s = options.stroke_s + 0.1, length_s = 0.2;
    TineStroke stroke = StrokeOf(target, {}, Dynamic::kMedium);
    stroke.amplitude_mm *= std::exp(-0.2 / std::sqrt(target.tine_length_mm / 50.0));
    const PickupSpectrum spectrum = Spectrum(place, 1.5, stroke);
    for (std::size_t k = 1; k <= 3; ++k) {
      const double heard = Partial(signal, static_cast<double>(k) * hz, from_s, from_s + length_s);
      EXPECT_NEAR(heard, std::abs(spectrum.harmonic[k - 1]), 0.03 * std::abs(spectrum.harmonic[0]))
          << midi << " H" << k;
    }
  }
}

TEST(PredictedSignal, FoldsNothingBack) {
  // E7 very close and hard: harmonics of 2637 Hz beyond 24 kHz would fold to between its multiples.
  NoteProfile target = Target(100);
  ToneProfile tone;
  tone.amplitude_soft_mm = 1.0;
  tone.amplitude_medium_mm = 2.0;
  tone.amplitude_hard_mm = 4.0;
  const std::vector<double> signal = PredictedSignal({0.0, 0.8, 0.3}, target, tone);
  const double fundamental = Partial(signal, EqualTemperamentHz(100), 3.1, 3.3);
  for (int k = 10; k <= 14; ++k) {
    const double folded_hz = 48000.0 - 2.0 * k * EqualTemperamentHz(100) / 2.0;
    if (folded_hz <= 0.0 || folded_hz > 21000.0) continue;
    EXPECT_LT(Partial(signal, folded_hz, 3.1, 3.3), 2e-3 * fundamental) << folded_hz;
  }
}

TEST(PredictedSounds, SayInOneLineWhereTheyCanNotBeWritten) {
  const tinesight::testing::TempFolder folder;
  const auto file = folder.Write("taken", "x");
  const auto files = WritePredictedSounds(file / "under", Target(42), {}, {{}, {}});
  ASSERT_FALSE(files);
  tinesight::testing::ExpectOneLine(files.error().message);
}

}  // namespace
}  // namespace tinesight
