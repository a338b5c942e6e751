// Photos taken in too little light, or out of focus: they say so. What is measured from them may be
// coarser, but not beyond what is stated, and no verdict may be wrong.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <opencv2/core.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <string>
#include <string_view>
#include <vector>

#include "alignment/measure_visit.hpp"
#include "tests/photo_files.hpp"
#include "tests/sample_truth.hpp"
#include "tests/temp_folder.hpp"

namespace tinesight {
namespace {

using testing::Rms;
using testing::TrueNote;
using testing::TrueRegister;

// A sensor's noise: its variance grows with the light, by kShotVariance, from kReadVariance; a
// white page is kWhite of the light that is 1. In the picture these are 7 gray levels where it is
// bright and 14 in the shade, far more than phones leave in daylight.
constexpr double kWhite = 0.35;
constexpr double kShotVariance = 0.002;
constexpr double kReadVariance = 2e-5;
constexpr double kGamma = 2.2;
// What one photo must reach in good light.
constexpr double kLateralRms_mm = 0.10;
constexpr double kHeightRms_mm = 0.12;
constexpr double kLeastWithinU = 0.90;
constexpr int kNotes = 17;  // of a register

/// Of a sample photo, white being 1.
cv::Mat LightOf(const std::string& name) {
  cv::Mat light;
  cv::imread((testing::kSamples / "harp" / (name + ".jpg")).string()).convertTo(light, CV_32F);
  cv::pow(light / 255.0, kGamma, light);
  return light;
}

std::filesystem::path WritePhoto(const testing::TempFolder& folder, const std::string& name,
                                 const cv::Mat& light) {
  cv::Mat photo = cv::max(light, 0.0);
  cv::pow(photo, 1.0 / kGamma, photo);
  photo.convertTo(photo, CV_8U, 255.0);
  return folder.Write(name + ".jpg", testing::Encoded(photo, ".jpg"));
}

std::filesystem::path WriteGrainy(const testing::TempFolder& folder, const std::string& name) {
  cv::Mat light = kWhite * LightOf(name);
  cv::Mat noise(light.size(), light.type());
  cv::RNG rng(11);
  rng.fill(noise, cv::RNG::NORMAL, 0.0, 1.0);
  cv::Mat deviation;
  cv::sqrt(kShotVariance * light + cv::Scalar::all(kReadVariance), deviation);
  light += noise.mul(deviation);
  return WritePhoto(folder, name, light / kWhite);
}

/// Each point of light spread over a disc of 7 px.
std::filesystem::path WriteOutOfFocus(const testing::TempFolder& folder, const std::string& name) {
  cv::Mat disc = cv::getStructuringElement(cv::MORPH_ELLIPSE, {7, 7});
  disc.convertTo(disc, CV_32F, 1.0 / cv::sum(disc)[0]);
  cv::Mat light;
  cv::filter2D(LightOf(name), light, -1, disc);
  return WritePhoto(folder, name, light);
}

MeasureRequest Request() {
  MeasureRequest request;
  auto camera = ReadCamera(testing::kSamples / "truth" / "camera.json");
  const auto profile = ReadInstrumentProfile(testing::kSamples / "instrument.json");
  if (!camera || !profile) {
    ADD_FAILURE() << "the samples' camera or profile can't be read";
    return request;
  }
  camera->exif.reset();  // the copies have none
  request.camera = *camera;
  request.rig = testing::TrueRig(0.03);
  request.profile = *profile;
  request.damper = DamperState::kHarpRaised;
  return request;
}

bool Warns(const PhotoMeasurement& photo, std::string_view start) {
  return std::any_of(photo.warnings.begin(), photo.warnings.end(),
                     [&](const std::string& warning) { return warning.starts_with(start); });
}

struct Errors {
  std::vector<double> lateral_mm, height_mm;
  int within_u = 0;  // of the lateral ones
};

/// Adds the register's notes; EXPECTs that no lateral verdict is wrong.
void Compare(const VisitMeasurement& visit, const TrueRegister& truth, Errors& errors) {
  for (const NoteMeasurement& note : visit.notes) {
    const TrueNote* real = truth.Find(note.midi);
    if (real == nullptr || !real->in_register || !note.lateral_mm) continue;
    errors.lateral_mm.push_back(note.lateral_mm->value - real->lateral_mm);
    errors.height_mm.push_back(note.height_mm->value - real->height_mm);
    if (std::abs(errors.lateral_mm.back()) <= note.lateral_mm->expanded_u) ++errors.within_u;
    constexpr double kToleranceMm = 0.5;  // of every note of the samples' instrument
    const bool off = std::abs(real->lateral_mm) > kToleranceMm;
    EXPECT_NE(note.lateral_verdict, off ? Verdict::kInTolerance : Verdict::kOutOfTolerance)
        << truth.name << " " << real->name << ": " << real->lateral_mm << " measured as "
        << note.lateral_mm->value;
  }
}

TEST(GrainyPhotos, AreMeasuredWithinWhatIsStated) {
  const testing::TempFolder folder;
  MeasureRequest request = Request();
  Errors errors;
  for (const std::string name : {"r1", "r3"}) {
    request.photos = {WriteGrainy(folder, name + "_left"), WriteGrainy(folder, name + "_right")};
    const auto visit = MeasureVisit(request, nullptr);
    ASSERT_TRUE(visit) << visit.error().message;
    for (const PhotoMeasurement& photo : visit->photos) {
      EXPECT_TRUE(Warns(photo, "grainy")) << photo.file;
    }
    Compare(*visit, testing::ReadTrueRegister(name), errors);
  }
  EXPECT_EQ(errors.lateral_mm.size(), 2 * kNotes);
  EXPECT_LE(Rms(errors.lateral_mm), kLateralRms_mm);
  EXPECT_LE(Rms(errors.height_mm), kHeightRms_mm);
  EXPECT_GE(errors.within_u, kLeastWithinU * static_cast<double>(errors.lateral_mm.size()));
  std::printf("grainy photos, two stations: lateral %.3f, height %.3f mm RMS, %d of %zu within U\n",
              Rms(errors.lateral_mm), Rms(errors.height_mm), errors.within_u,
              errors.lateral_mm.size());
}

TEST(PhotosOutOfFocus, SayTheyAre) {
  const testing::TempFolder folder;
  MeasureRequest request = Request();
  request.photos = {WriteOutOfFocus(folder, "r3_left"),
                    testing::kSamples / "harp" / "r3_right.jpg"};
  const auto visit = MeasureVisit(request, nullptr);
  ASSERT_TRUE(visit) << visit.error().message;
  ASSERT_EQ(visit->photos.size(), 2u);
  EXPECT_TRUE(Warns(visit->photos[0], "out of focus"));
  EXPECT_FALSE(Warns(visit->photos[1], "out of focus"));
  Errors errors;
  Compare(*visit, testing::ReadTrueRegister("r3"), errors);
  EXPECT_EQ(errors.lateral_mm.size(), kNotes);
}

}  // namespace
}  // namespace tinesight
