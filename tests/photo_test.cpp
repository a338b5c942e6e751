#include "vision/photo.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <opencv2/imgproc.hpp>

#include "tests/photo_files.hpp"
#include "tests/temp_folder.hpp"

namespace tinesight {
namespace {

using ::testing::AllOf;
using testing::BigEndian32;
using testing::DifferenceInsideQuarters;
using testing::Encoded;
using testing::ExifFields;
using testing::ExifWriter;
using testing::ExpectOneLine;
using ::testing::HasSubstr;
using testing::kPngHeaderBytes;
using testing::LargestDifference;
using testing::PngChunk;
using testing::Quarters;
using testing::Stored;
using testing::TempFolder;
using testing::WithExif;
using testing::WithPngSize;

/// Inside the quarters JPEG at quality 100 is off by the rounding of the color conversion only;
/// the edges ring, so the pictures are compared where no block holds an edge.
constexpr double kJpegError = 4.0;
const std::vector<int> kBest = {cv::IMWRITE_JPEG_QUALITY, 100};

/// What ReadPhoto makes of these bytes under this name.
Result<Photo> Read(std::string_view bytes, const std::string& name = "photo.jpg",
                   const PhotoLimits& limits = {}) {
  const TempFolder folder;
  return ReadPhoto(folder.Write(name, bytes), limits);
}

void ExpectRefused(std::string_view bytes, const std::string& said,
                   const PhotoLimits& limits = {}) {
  const auto photo = Read(bytes, "IMG 7.jpg", limits);
  ASSERT_FALSE(photo) << "read, but should say: " << said;
  ExpectOneLine(photo.error().message);
  EXPECT_THAT(photo.error().message, AllOf(HasSubstr("IMG 7.jpg"), HasSubstr(said)));
}

TEST(ReadPhoto, ReadsJpegPngAndTiffByTheirFirstBytesWhateverTheName) {
  const cv::Mat picture = Quarters();
  for (const char* format : {".jpg", ".png", ".tiff"}) {
    for (const char* name : {"photo.jpg", "photo.heic", "photo"}) {
      const auto photo =
          Read(Encoded(picture, format, format == std::string(".jpg") ? kBest : std::vector<int>()),
               name);
      ASSERT_TRUE(photo) << format << ": " << photo.error().message;
      EXPECT_EQ(photo->bgr.type(), CV_8UC3);
      EXPECT_EQ(photo->gray.type(), CV_8UC1);
      EXPECT_EQ(photo->gray.size(), picture.size());
      EXPECT_LE(DifferenceInsideQuarters(photo->bgr, picture),
                format == std::string(".jpg") ? kJpegError : 0.0)
          << format;
      EXPECT_EQ(photo->file.filename(), name);
    }
  }
}

TEST(ReadPhoto, AppliesEachOfTheEightOrientationsOnce) {
  const cv::Mat upright = Quarters();
  for (int orientation = 1; orientation <= 8; ++orientation) {
    for (const bool big_endian : {false, true}) {
      ExifFields fields;
      fields.orientation = orientation;
      fields.big_endian = big_endian;
      const std::string jpeg =
          WithExif(Encoded(Stored(upright, orientation), ".jpg", kBest), fields);
      const auto photo = Read(jpeg);
      ASSERT_TRUE(photo) << photo.error().message;
      EXPECT_EQ(photo->exif.orientation, orientation);
      EXPECT_LE(DifferenceInsideQuarters(photo->bgr, upright), kJpegError) << orientation;
      // An independent reader that turns the picture by itself.
      const cv::Mat raw(1, static_cast<int>(jpeg.size()), CV_8UC1, const_cast<char*>(jpeg.data()));
      EXPECT_LE(LargestDifference(photo->bgr, cv::imdecode(raw, cv::IMREAD_COLOR)), 1.0);
    }
  }
}

TEST(ReadPhoto, TakesAnOrientationOfZeroOrNonsenseAsUpright) {
  const cv::Mat upright = Quarters();
  for (const int orientation : {0, 9, 65535}) {
    ExifFields fields;
    fields.orientation = orientation;
    const auto photo = Read(WithExif(Encoded(upright, ".jpg", kBest), fields));
    ASSERT_TRUE(photo);
    EXPECT_EQ(photo->exif.orientation, 1);
    EXPECT_LE(DifferenceInsideQuarters(photo->bgr, upright), kJpegError);
  }
}

TEST(ReadPhoto, TurnsAPngByItsExifChunk) {
  const cv::Mat upright = Quarters();
  ExifFields fields;
  fields.orientation = 6;
  fields.model = "Phone 1";
  std::string png = Encoded(Stored(upright, 6), ".png");
  png.insert(kPngHeaderBytes, PngChunk("eXIf", ExifWriter(fields).Block()));
  const auto photo = Read(png);
  ASSERT_TRUE(photo) << photo.error().message;
  EXPECT_EQ(photo->exif.model, "Phone 1");
  EXPECT_EQ(LargestDifference(photo->bgr, upright), 0.0);
}

TEST(ReadPhoto, ReadsExifInBothByteOrders) {
  for (const bool big_endian : {false, true}) {
    const ExifFields fields{.make = "  Example Phones ",
                            .model = "Phone 1\n",
                            .lens = "Main lens 6.86mm f/1.8",
                            .date_time = "2026:03:01 10:20:30",
                            .orientation = 1,
                            .length_35mm = 26,
                            .focal_length = {686, 100},
                            .zoom = {197, 100},
                            .big_endian = big_endian};
    const auto photo = Read(WithExif(Encoded(Quarters(), ".jpg"), fields));
    ASSERT_TRUE(photo) << photo.error().message;
    EXPECT_EQ(photo->exif.make, "Example Phones");
    EXPECT_EQ(photo->exif.model, "Phone 1");
    EXPECT_EQ(photo->exif.lens, "Main lens 6.86mm f/1.8");
    EXPECT_EQ(photo->exif.date_time, "2026:03:01 10:20:30");
    EXPECT_EQ(photo->exif.focal_length_mm, 6.86);
    EXPECT_EQ(photo->exif.focal_length_35mm, 26.0);
    EXPECT_EQ(photo->exif.digital_zoom, 1.97);
  }
}

TEST(ReadPhoto, TakesZeroesOfExifAsUnknown) {
  const ExifFields fields{.length_35mm = 0, .focal_length = {0, 1}, .zoom = {0, 1}};
  const auto photo = Read(WithExif(Encoded(Quarters(), ".jpg"), fields));
  ASSERT_TRUE(photo);
  EXPECT_FALSE(photo->exif.focal_length_mm);
  EXPECT_FALSE(photo->exif.focal_length_35mm);
  EXPECT_FALSE(photo->exif.digital_zoom);
  const ExifFields infinite{.focal_length = {686, 0}};
  const auto other = Read(WithExif(Encoded(Quarters(), ".jpg"), infinite));
  ASSERT_TRUE(other);
  EXPECT_FALSE(other->exif.focal_length_mm);
}

TEST(ReadPhoto, KnowsNothingWithoutExifAndFromAnyPrefixOfIt) {
  const auto plain = Read(Encoded(Quarters(), ".jpg"));
  ASSERT_TRUE(plain);
  EXPECT_EQ(plain->exif.make, "");
  EXPECT_FALSE(plain->exif.focal_length_mm);
  EXPECT_EQ(plain->exif.orientation, 1);

  const ExifFields fields{.make = "Example", .orientation = 1, .focal_length = {686, 100}};
  const std::string block = ExifWriter(fields).Block();
  for (std::size_t size = 0; size < block.size(); ++size) {
    std::string png = Encoded(Quarters(), ".png");
    png.insert(kPngHeaderBytes, PngChunk("eXIf", block.substr(0, size)));
    const auto photo = Read(png);
    ASSERT_TRUE(photo) << size << ": " << photo.error().message;
    EXPECT_THAT(photo->exif.make, ::testing::AnyOf("", "Example"));
  }
}

TEST(ReadPhoto, BringsDeepGrayPaletteAndTransparentPicturesToEightBitColor) {
  cv::Mat deep(64, 96, CV_16UC3);
  cv::Mat expected(64, 96, CV_8UC3);
  for (int y = 0; y < deep.rows; ++y) {
    for (int x = 0; x < deep.cols; ++x) {
      for (int c = 0; c < 3; ++c) {
        const int level = (7 * x + 3 * y + 50 * c) % 256;
        expected.at<cv::Vec3b>(y, x)[c] = static_cast<unsigned char>(level);
        deep.at<cv::Vec3w>(y, x)[c] = static_cast<unsigned short>(257 * level);
      }
    }
  }
  for (const char* format : {".png", ".tiff"}) {
    const auto photo = Read(Encoded(deep, format));
    ASSERT_TRUE(photo) << format << photo.error().message;
    EXPECT_EQ(LargestDifference(photo->bgr, expected), 0.0) << format;

    cv::Mat transparent;
    cv::cvtColor(expected, transparent, cv::COLOR_BGR2BGRA);
    const auto with_alpha = Read(Encoded(transparent, format));
    ASSERT_TRUE(with_alpha) << format << with_alpha.error().message;
    EXPECT_EQ(LargestDifference(with_alpha->bgr, expected), 0.0) << format;
  }
  cv::Mat gray;
  cv::extractChannel(expected, gray, 1);
  cv::Mat gray_as_color;
  cv::cvtColor(gray, gray_as_color, cv::COLOR_GRAY2BGR);
  for (const char* format : {".png", ".tiff"}) {
    const auto photo = Read(Encoded(gray, format));
    ASSERT_TRUE(photo) << format << photo.error().message;
    EXPECT_EQ(LargestDifference(photo->bgr, gray_as_color), 0.0) << format;
    EXPECT_EQ(LargestDifference(photo->gray, gray), 0.0) << format;
  }
  const auto gray_jpeg = Read(Encoded(cv::Mat(64, 96, CV_8UC1, cv::Scalar(77)), ".jpg"));
  ASSERT_TRUE(gray_jpeg) << gray_jpeg.error().message;
  EXPECT_EQ(LargestDifference(gray_jpeg->gray, cv::Mat(64, 96, CV_8UC1, cv::Scalar(77))), 0.0);
}

TEST(ReadPhoto, ReadsAPaletteOfTwoColors) {
  // One bit a pixel: 16×16, color 1 in the right half. Deflate's stored block and Adler sum by
  // hand.
  std::string rows;
  for (int y = 0; y < 16; ++y) rows += std::string("\0\x00\xFF", 3);
  std::uint32_t a = 1;
  std::uint32_t b = 0;
  for (const char c : rows) {
    a = (a + static_cast<unsigned char>(c)) % 65521;
    b = (b + a) % 65521;
  }
  const auto size = static_cast<char>(rows.size());
  std::string deflated = "\x78\x01\x01";
  deflated += {size, '\0', static_cast<char>(~size), '\xFF'};
  deflated += rows + BigEndian32((b << 16) | a);
  const std::string png =
      "\x89PNG\r\n\x1A\n" +
      PngChunk("IHDR", BigEndian32(16) + BigEndian32(16) + std::string("\x01\x03\0\0\0", 5)) +
      PngChunk("PLTE", "\x0A\x14\x1E\xC8\xD2\xDC") + PngChunk("IDAT", deflated) +
      PngChunk("IEND", "");
  const auto photo = Read(png);
  ASSERT_TRUE(photo) << photo.error().message;
  EXPECT_EQ(photo->bgr.at<cv::Vec3b>(5, 7), cv::Vec3b(0x1E, 0x14, 0x0A));
  EXPECT_EQ(photo->bgr.at<cv::Vec3b>(5, 8), cv::Vec3b(0xDC, 0xD2, 0xC8));
}

/// Every kind that a phone or a computer writes, with enough detail for a file of some size.
std::vector<std::pair<std::string, std::string>> DetailedFiles() {
  cv::Mat noise(120, 160, CV_8UC3);
  cv::RNG random(5);
  random.fill(noise, cv::RNG::UNIFORM, 0, 256);
  cv::GaussianBlur(noise, noise, {}, 1.5);
  return {{"JPEG", Encoded(noise, ".jpg")},
          {"progressive JPEG", Encoded(noise, ".jpg", {cv::IMWRITE_JPEG_PROGRESSIVE, 1})},
          {"PNG", Encoded(noise, ".png")},
          {"TIFF", Encoded(noise, ".tiff")}};
}

TEST(ReadPhoto, RefusesAFileThatIsCutShortWhereverItIsCut) {
  for (const auto& [kind, bytes] : DetailedFiles()) {
    ASSERT_TRUE(Read(bytes)) << kind;
    for (const double part : {0.02, 0.1, 0.5, 0.9, 0.99}) {
      const auto cut = static_cast<std::size_t>(part * static_cast<double>(bytes.size()));
      SCOPED_TRACE(kind + " to " + std::to_string(cut));
      ExpectRefused(std::string_view(bytes).substr(0, cut), "");
      if (part >= 0.5) ExpectRefused(std::string_view(bytes).substr(0, cut), "is cut short");
    }
    ExpectRefused(std::string_view(bytes).substr(0, bytes.size() - 2), "");
  }
}

TEST(ReadPhoto, RefusesOrSurvivesDamagedBytesOfTheHeader) {
  const TempFolder folder;
  constexpr std::size_t kStep = 3;  // every byte takes ten seconds and finds no more
  for (const auto& [kind, bytes] : DetailedFiles()) {
    int refused = 0;
    for (std::size_t at = 8; at < std::min<std::size_t>(bytes.size(), 700); at += kStep) {
      std::string damaged = bytes;
      damaged[at] = static_cast<char>(~damaged[at]);
      const auto photo = ReadPhoto(folder.Write("damaged", damaged), {.max_megapixels = 1});
      if (photo) {
        EXPECT_LE(photo->bgr.total(), 1000000U);
      } else {
        ExpectOneLine(photo.error().message);
        ++refused;
      }
    }
    EXPECT_GT(refused, 10) << kind;
  }
}

TEST(ReadPhoto, RefusesDamageInThePixelsOfAPng) {
  std::string png = DetailedFiles()[2].second;
  png[png.size() / 2] = static_cast<char>(~png[png.size() / 2]);
  ExpectRefused(png, "damaged PNG");
}

TEST(ReadPhoto, RefusesAHugePictureOnItsHeaderAlone) {
  const std::string png = Encoded(Quarters(), ".png");
  ExpectRefused(WithPngSize(png, 50000, 50000), "50000×50000 px, beyond the limit of 120");
  ExpectRefused(WithPngSize(png, 0x7FFFFFFF, 16), "beyond the limit");
  ExpectRefused(WithPngSize(png, 0, 64), "damaged PNG");
  ExpectRefused(WithPngSize(png, 8, 8), "8×8 px, which is no photo");

  std::string jpeg = Encoded(Quarters(), ".jpg");
  const std::size_t frame = jpeg.find("\xFF\xC0");
  ASSERT_NE(frame, std::string::npos);
  jpeg.replace(frame + 5, 4, "\xFF\xDC\xFF\xDC");  // 65500 each
  ExpectRefused(jpeg, "65500×65500 px, beyond the limit");
  jpeg.replace(frame + 5, 4, std::string(4, '\0'));
  ExpectRefused(jpeg, "damaged JPEG");

  std::string tiff = Encoded(Quarters(), ".tiff");
  const std::string width_tag("\x00\x01", 2);  // ImageWidth 256, little-endian
  const std::size_t directory =
      static_cast<unsigned char>(tiff[4]) + 256U * static_cast<unsigned char>(tiff[5]);
  const std::size_t entry = tiff.find(width_tag, directory + 2);
  ASSERT_LT(entry, directory + 30);
  const std::size_t type = static_cast<unsigned char>(tiff[entry + 2]);
  ASSERT_TRUE(type == 3 || type == 4);
  tiff.replace(entry + 8, 2, "\xFF\xFF");
  tiff.replace(entry + 12 + 8, 2, "\xFF\xFF");  // ImageLength follows
  ExpectRefused(tiff, "65535×65535 px, beyond the limit");

  ExpectRefused(Encoded(cv::Mat(1100, 1000, CV_8UC1, cv::Scalar(0)), ".png"),
                "1000×1100 px, beyond the limit of 1 mega", {.max_megapixels = 1});
}

TEST(ReadPhoto, RefusesWhatIsNoPhotoAndSaysWhatItIs) {
  ExpectRefused("Dear customer,\nyour instrument is ready.\n", "a text");
  ExpectRefused("", "is empty");
  ExpectRefused("\xFF", "is not a JPEG, HEIC, PNG or TIFF photo");
  ExpectRefused("\xFF\xD8\xFF", "");
  ExpectRefused("\x89PNG\r\n\x1A\n", "is cut short");
  ExpectRefused("GIF89a....", "a GIF");
  ExpectRefused("%PDF-1.7 ....", "a PDF");
  ExpectRefused(std::string("\0\0\0\x18"
                            "ftypavif\0\0\0\0avifmif1",
                            24),
                "AVIF");
  ExpectRefused(Encoded(Quarters(), ".bmp"), "something else");

  const TempFolder folder;
  const auto missing = ReadPhoto(folder.Path() / "missing.jpg");
  ASSERT_FALSE(missing);
  EXPECT_THAT(missing.error().message, HasSubstr("no such file"));
  const auto directory = ReadPhoto(folder.Path());
  ASSERT_FALSE(directory);
  EXPECT_THAT(directory.error().message, HasSubstr("is a folder"));
}

}  // namespace
}  // namespace tinesight
