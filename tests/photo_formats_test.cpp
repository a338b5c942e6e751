// What only the format libraries themselves can write: HEIC, CMYK, a TIFF with EXIF.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <libheif/heif.h>
#include <tiffio.h>

#include <cstdio>
#include <cstdlib>
#include <memory>
// jpeglib.h needs cstdio before it.
#include <jpeglib.h>

#include "tests/photo_files.hpp"
#include "tests/temp_folder.hpp"
#include "vision/photo.hpp"

/// The HEVC encoder that makes the test files leaks tables of its own; our reader must not leak.
extern "C" const char* __lsan_default_suppressions();  // NOLINT: the sanitizer's name
extern "C" const char* __lsan_default_suppressions() { return "leak:libx265\n"; }  // NOLINT

namespace tinesight {
namespace {

using testing::BigEndian32;
using testing::Contents;
using testing::DifferenceInsideQuarters;
using testing::ExifFields;
using testing::ExifWriter;
using testing::ExpectOneLine;
using ::testing::HasSubstr;
using testing::LargestDifference;
using testing::Quarters;
using testing::Stored;
using testing::TempFolder;

Result<Photo> Read(std::string_view bytes, const PhotoLimits& limits = {}) {
  const TempFolder folder;
  return ReadPhoto(folder.Write("photo", bytes), limits);
}

std::string CmykJpeg() {
  jpeg_compress_struct encoder{};
  jpeg_error_mgr errors{};
  encoder.err = jpeg_std_error(&errors);
  jpeg_create_compress(&encoder);
  unsigned char* buffer = nullptr;
  unsigned long size = 0;
  jpeg_mem_dest(&encoder, &buffer, &size);
  encoder.image_width = encoder.image_height = 32;
  encoder.input_components = 4;
  encoder.in_color_space = JCS_CMYK;
  jpeg_set_defaults(&encoder);
  jpeg_start_compress(&encoder, TRUE);
  std::vector<unsigned char> row(4 * 32, 100);
  JSAMPROW pointer = row.data();
  for (int y = 0; y < 32; ++y) jpeg_write_scanlines(&encoder, &pointer, 1);
  jpeg_finish_compress(&encoder);
  std::string bytes(reinterpret_cast<const char*>(buffer), size);
  jpeg_destroy_compress(&encoder);
  std::free(buffer);
  return bytes;
}

TEST(ReadPhotoFormats, RefusesAPicturePreparedForPrinting) {
  const auto photo = Read(CmykJpeg());
  ASSERT_FALSE(photo);
  EXPECT_THAT(photo.error().message, HasSubstr("CMYK"));
}

struct TiffContent {
  cv::Mat stored;
  std::uint16_t orientation = 1;
  bool thumbnail = false;
  bool tiled = false;
};

std::string Tiff(const TiffContent& content) {
  const TempFolder folder;
  const auto file = folder.Path() / "a.tif";
  TIFF* tiff = TIFFOpen(file.c_str(), "w");
  TIFFSetField(tiff, TIFFTAG_IMAGEWIDTH, content.stored.cols);
  TIFFSetField(tiff, TIFFTAG_IMAGELENGTH, content.stored.rows);
  TIFFSetField(tiff, TIFFTAG_SAMPLESPERPIXEL, 3);
  TIFFSetField(tiff, TIFFTAG_BITSPERSAMPLE, 8);
  TIFFSetField(tiff, TIFFTAG_PHOTOMETRIC, PHOTOMETRIC_RGB);
  TIFFSetField(tiff, TIFFTAG_PLANARCONFIG, PLANARCONFIG_CONTIG);
  TIFFSetField(tiff, TIFFTAG_ORIENTATION, content.orientation);
  TIFFSetField(tiff, TIFFTAG_COMPRESSION, COMPRESSION_ADOBE_DEFLATE);
  TIFFSetField(tiff, TIFFTAG_MAKE, "Example");
  TIFFSetField(tiff, TIFFTAG_MODEL, "Phone 1");
  if (content.thumbnail) TIFFSetField(tiff, TIFFTAG_SUBFILETYPE, FILETYPE_REDUCEDIMAGE);
  cv::Mat rgb;
  cv::mixChannels(std::vector<cv::Mat>{content.stored},
                  std::vector<cv::Mat>{rgb = cv::Mat(content.stored.size(), CV_8UC3)},
                  {0, 2, 1, 1, 2, 0});
  if (content.tiled) {
    TIFFSetField(tiff, TIFFTAG_TILEWIDTH, 32);
    TIFFSetField(tiff, TIFFTAG_TILELENGTH, 32);
    for (int y = 0; y < rgb.rows; y += 32) {
      for (int x = 0; x < rgb.cols; x += 32) {
        cv::Mat tile = rgb(cv::Rect(x, y, 32, 32)).clone();
        TIFFWriteTile(tiff, tile.data, static_cast<std::uint32_t>(x), static_cast<std::uint32_t>(y),
                      0, 0);
      }
    }
  } else {
    TIFFSetField(tiff, TIFFTAG_ROWSPERSTRIP, 16);
    for (int y = 0; y < rgb.rows; ++y) {
      TIFFWriteScanline(tiff, rgb.ptr(y), static_cast<std::uint32_t>(y));
    }
  }
  TIFFWriteDirectory(tiff);
  TIFFCreateEXIFDirectory(tiff);
  TIFFSetField(tiff, EXIFTAG_FOCALLENGTH, 6.86);
  TIFFSetField(tiff, EXIFTAG_DIGITALZOOMRATIO, 0.0);
  TIFFSetField(tiff, EXIFTAG_FOCALLENGTHIN35MMFILM, 26);
  TIFFSetField(tiff, EXIFTAG_LENSMODEL, "Main");
  TIFFSetField(tiff, EXIFTAG_DATETIMEORIGINAL, "2026:03:01 10:20:30");
  std::uint64_t exif_at = 0;
  TIFFWriteCustomDirectory(tiff, &exif_at);
  TIFFSetDirectory(tiff, 0);
  TIFFSetField(tiff, TIFFTAG_EXIFIFD, exif_at);
  TIFFRewriteDirectory(tiff);
  TIFFClose(tiff);
  return Contents(file);
}

TEST(ReadPhotoFormats, TurnsATiffByEachOrientationOnce) {
  const cv::Mat upright = Quarters();
  for (std::uint16_t orientation = 1; orientation <= 8; ++orientation) {
    for (const bool tiled : {false, true}) {
      const auto photo = Read(Tiff({.stored = Stored(upright, orientation),
                                    .orientation = orientation,
                                    .thumbnail = false,
                                    .tiled = tiled}));
      ASSERT_TRUE(photo) << photo.error().message;
      EXPECT_EQ(photo->exif.orientation, orientation);
      EXPECT_EQ(LargestDifference(photo->bgr, upright), 0.0) << orientation;
    }
  }
}

TEST(ReadPhotoFormats, ReadsTheExifOfATiff) {
  const auto photo = Read(Tiff({.stored = Quarters()}));
  ASSERT_TRUE(photo) << photo.error().message;
  EXPECT_EQ(photo->exif.make, "Example");
  EXPECT_EQ(photo->exif.model, "Phone 1");
  EXPECT_EQ(photo->exif.lens, "Main");
  EXPECT_EQ(photo->exif.date_time, "2026:03:01 10:20:30");
  ASSERT_TRUE(photo->exif.focal_length_mm);
  EXPECT_NEAR(*photo->exif.focal_length_mm, 6.86, 1e-6);  // single precision in the library
  EXPECT_EQ(photo->exif.focal_length_35mm, 26.0);
  EXPECT_FALSE(photo->exif.digital_zoom);
}

TEST(ReadPhotoFormats, RefusesARawPhotosThumbnail) {
  const auto photo = Read(Tiff({.stored = Quarters(), .orientation = 1, .thumbnail = true}));
  ASSERT_FALSE(photo);
  EXPECT_THAT(photo.error().message, HasSubstr("raw photo"));
}

struct HeicContent {
  cv::Mat picture{};  ///< as shown, 8 bits
  bool ten_bits = false;
  heif_orientation turn = heif_orientation_normal;
  ExifFields exif = {};
  bool with_exif = false;
};

/// Empty where this machine's libheif cannot encode HEVC.
std::string Heic(const HeicContent& content) {
  const std::unique_ptr<heif_context, void (*)(heif_context*)> context(heif_context_alloc(),
                                                                       heif_context_free);
  heif_encoder* encoder = nullptr;
  if (heif_context_get_encoder_for_format(context.get(), heif_compression_HEVC, &encoder).code !=
      heif_error_Ok) {
    return {};
  }
  heif_encoder_set_lossy_quality(encoder, 95);
  heif_image* image = nullptr;
  const cv::Mat& picture = content.picture;
  heif_image_create(
      picture.cols, picture.rows, heif_colorspace_RGB,
      content.ten_bits ? heif_chroma_interleaved_RRGGBB_LE : heif_chroma_interleaved_RGB, &image);
  heif_image_add_plane(image, heif_channel_interleaved, picture.cols, picture.rows,
                       content.ten_bits ? 10 : 8);
  int stride = 0;
  std::uint8_t* pixels = heif_image_get_plane(image, heif_channel_interleaved, &stride);
  for (int y = 0; y < picture.rows; ++y) {
    std::uint8_t* to = pixels + static_cast<std::ptrdiff_t>(stride) * y;
    for (int x = 0; x < picture.cols; ++x) {
      for (int c = 2; c >= 0; --c) {
        const unsigned level = picture.at<cv::Vec3b>(y, x)[c];
        const unsigned value = content.ten_bits ? (level * 1023 + 127) / 255 : level;
        *to++ = static_cast<std::uint8_t>(value & 0xFF);
        if (content.ten_bits) *to++ = static_cast<std::uint8_t>(value >> 8);
      }
    }
  }
  heif_encoding_options* options = heif_encoding_options_alloc();
  options->image_orientation = content.turn;
  heif_image_handle* handle = nullptr;
  const heif_error error =
      heif_context_encode_image(context.get(), image, encoder, options, &handle);
  EXPECT_EQ(error.code, heif_error_Ok) << error.message;
  if (content.with_exif) {
    const std::string block = ExifWriter(content.exif).Block();
    heif_context_add_exif_metadata(context.get(), handle, block.data(),
                                   static_cast<int>(block.size()));
  }
  std::string bytes;
  heif_writer writer{};
  writer.writer_api_version = 1;
  writer.write = [](heif_context*, const void* data, std::size_t size, void* target) {
    static_cast<std::string*>(target)->assign(static_cast<const char*>(data), size);
    return heif_error{heif_error_Ok, heif_suberror_Unspecified, ""};
  };
  heif_context_write(context.get(), &writer, &bytes);
  heif_encoding_options_free(options);
  heif_image_handle_release(handle);
  heif_image_release(image);
  heif_encoder_release(encoder);
  return bytes;
}

/// HEVC at quality 95 and its colors at half resolution, in levels.
constexpr double kHeicError = 6.0;

class ReadHeic : public ::testing::Test {
 protected:
  void SetUp() override {
    if (Heic({.picture = Quarters()}).empty()) {
      GTEST_SKIP() << "this machine's libheif has no HEVC encoder to make a test file with";
    }
  }
};

TEST_F(ReadHeic, ReadsEightAndTenBits) {
  for (const bool ten_bits : {false, true}) {
    const auto photo = Read(Heic({.picture = Quarters(), .ten_bits = ten_bits}));
    ASSERT_TRUE(photo) << photo.error().message;
    EXPECT_EQ(photo->bgr.type(), CV_8UC3);
    EXPECT_LE(DifferenceInsideQuarters(photo->bgr, Quarters()), kHeicError) << ten_bits;
  }
}

TEST_F(ReadHeic, CountsOnlyTheFilesOwnTurnAndIgnoresTheOneInExif) {
  // Phones write both, and mean one turn.
  const HeicContent content{
      .picture = Stored(Quarters(), 6),
      .ten_bits = false,
      .turn = heif_orientation_rotate_90_cw,
      .exif = {.make = "Example", .orientation = 6, .focal_length = {686, 100}},
      .with_exif = true};
  const auto photo = Read(Heic(content));
  ASSERT_TRUE(photo) << photo.error().message;
  EXPECT_LE(DifferenceInsideQuarters(photo->bgr, Quarters()), kHeicError);
  EXPECT_EQ(photo->exif.make, "Example");
  EXPECT_EQ(photo->exif.focal_length_mm, 6.86);
  EXPECT_EQ(photo->exif.orientation, 1);

  HeicContent only_exif = content;
  only_exif.picture = Quarters();
  only_exif.turn = heif_orientation_normal;
  const auto upright = Read(Heic(only_exif));
  ASSERT_TRUE(upright) << upright.error().message;
  EXPECT_LE(DifferenceInsideQuarters(upright->bgr, Quarters()), kHeicError);
}

TEST_F(ReadHeic, AppliesAMirror) {
  const auto photo = Read(Heic({.picture = Stored(Quarters(), 2),
                                .ten_bits = false,
                                .turn = heif_orientation_flip_horizontally}));
  ASSERT_TRUE(photo) << photo.error().message;
  EXPECT_LE(DifferenceInsideQuarters(photo->bgr, Quarters()), kHeicError);
}

TEST_F(ReadHeic, RefusesAFileThatIsCutShort) {
  const std::string bytes = Heic({.picture = Quarters()});
  for (const double part : {0.1, 0.5, 0.9, 0.999}) {
    const auto cut = static_cast<std::size_t>(part * static_cast<double>(bytes.size()));
    const auto photo = Read(std::string_view(bytes).substr(0, cut));
    ASSERT_FALSE(photo) << cut;
    EXPECT_THAT(photo.error().message, HasSubstr("is cut short"));
  }
}

TEST_F(ReadHeic, RefusesAHugePictureOnItsHeaderAlone) {
  std::string bytes = Heic({.picture = Quarters()});
  for (std::size_t at = bytes.find("ispe"); at != std::string::npos;
       at = bytes.find("ispe", at + 1)) {
    bytes.replace(at + 8, 8, BigEndian32(30000) + BigEndian32(30000));
  }
  const auto photo = Read(bytes);
  ASSERT_FALSE(photo);
  EXPECT_THAT(photo.error().message, HasSubstr("beyond the limit of 120 megapixels"));
}

TEST_F(ReadHeic, RefusesOrSurvivesDamagedBytes) {
  const std::string bytes = Heic({.picture = Quarters()});
  const TempFolder folder;
  int refused = 0;
  for (std::size_t at = 8; at < bytes.size(); at += 3) {
    std::string damaged = bytes;
    damaged[at] = static_cast<char>(~damaged[at]);
    const auto photo = ReadPhoto(folder.Write("damaged", damaged), {.max_megapixels = 1});
    if (photo) continue;
    ExpectOneLine(photo.error().message);
    ++refused;
  }
  EXPECT_GT(refused, 10);
}

}  // namespace
}  // namespace tinesight
