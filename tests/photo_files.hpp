#pragma once

// Small picture files made in memory, some of them as cameras write them and some spoiled.
#include <algorithm>
#include <array>
#include <cstdint>
#include <opencv2/core.hpp>
#include <opencv2/imgcodecs.hpp>
#include <string>
#include <string_view>
#include <vector>

namespace tinesight::testing {

/// What to write into an EXIF block; empty or absent: the tag is left out.
struct ExifFields {
  std::string make{};
  std::string model{};
  std::string lens{};
  std::string date_time{};
  int orientation = -1;
  int length_35mm = -1;
  std::array<std::uint32_t, 2> focal_length{};  ///< numerator, denominator; 0/0: no tag
  std::array<std::uint32_t, 2> zoom{};          ///< 1/0: "0/1" is a value of real phones
  bool big_endian = false;
};

/// Writes the TIFF structure of EXIF by hand, so that the reader is not tested with its own
/// library. Tag numbers from EXIF 2.32: Make 271, Model 272, Orientation 274,
/// ExifIFD 34665, DateTimeOriginal 36867, FocalLength 37386, DigitalZoomRatio 41988,
/// FocalLengthIn35mmFilm 41989, LensModel 42036.
class ExifWriter {
 public:
  explicit ExifWriter(const ExifFields& fields) : big_endian_(fields.big_endian) {
    std::vector<Entry> main;
    if (!fields.make.empty()) main.push_back(Ascii(271, fields.make));
    if (!fields.model.empty()) main.push_back(Ascii(272, fields.model));
    if (fields.orientation >= 0) main.push_back(Short(274, fields.orientation));
    std::vector<Entry> exif;
    if (!fields.date_time.empty()) exif.push_back(Ascii(36867, fields.date_time));
    if (fields.focal_length[0] + fields.focal_length[1] > 0) {
      exif.push_back(Rational(37386, fields.focal_length));
    }
    if (fields.zoom[0] + fields.zoom[1] > 0) exif.push_back(Rational(41988, fields.zoom));
    if (fields.length_35mm >= 0) exif.push_back(Short(41989, fields.length_35mm));
    if (!fields.lens.empty()) exif.push_back(Ascii(42036, fields.lens));

    constexpr std::uint32_t kHeader = 8;
    const std::size_t main_size = SizeOf(main.size() + 1, main);
    const auto exif_at = static_cast<std::uint32_t>(kHeader + main_size);
    main.push_back({34665, 4, 1, Number(exif_at, 4)});
    block_ = big_endian_ ? "MM" : "II";
    block_ += Number(42, 2) + Number(kHeader, 4);
    Append(main);
    Append(exif);
  }

  /// The block as it stands in a PNG or, after its own start, in a JPEG.
  [[nodiscard]] const std::string& Block() const { return block_; }

 private:
  struct Entry {
    std::uint16_t tag;
    std::uint16_t type;
    std::uint32_t count;
    std::string value;
  };

  [[nodiscard]] std::string Number(std::uint32_t value, std::size_t size) const {
    std::string bytes;
    for (std::size_t i = 0; i < size; ++i) bytes += static_cast<char>((value >> (8 * i)) & 0xFF);
    if (big_endian_) std::reverse(bytes.begin(), bytes.end());
    return bytes;
  }
  static Entry Ascii(std::uint16_t tag, const std::string& text) {
    const std::string value = text + '\0';
    return {tag, 2, static_cast<std::uint32_t>(value.size()), value};
  }
  [[nodiscard]] Entry Short(std::uint16_t tag, int value) const {
    return {tag, 3, 1, Number(static_cast<std::uint32_t>(value), 2)};
  }
  [[nodiscard]] Entry Rational(std::uint16_t tag, std::array<std::uint32_t, 2> value) const {
    return {tag, 5, 1, Number(value[0], 4) + Number(value[1], 4)};
  }
  static std::size_t SizeOf(std::size_t entries, const std::vector<Entry>& values) {
    std::size_t size = 2 + 12 * entries + 4;
    for (const Entry& entry : values) size += entry.value.size() > 4 ? entry.value.size() : 0;
    return size;
  }
  void Append(const std::vector<Entry>& entries) {
    auto value_at = static_cast<std::uint32_t>(block_.size() + 2 + 12 * entries.size() + 4);
    std::string values;
    block_ += Number(static_cast<std::uint32_t>(entries.size()), 2);
    for (const Entry& entry : entries) {
      block_ += Number(entry.tag, 2) + Number(entry.type, 2) + Number(entry.count, 4);
      if (entry.value.size() <= 4) {
        block_ += entry.value + std::string(4 - entry.value.size(), '\0');
      } else {
        block_ += Number(value_at, 4);
        values += entry.value;
        value_at += static_cast<std::uint32_t>(entry.value.size());
      }
    }
    block_ += Number(0, 4) + values;
  }

  bool big_endian_;
  std::string block_;
};

inline std::string Encoded(const cv::Mat& picture, const std::string& extension,
                           const std::vector<int>& parameters = {}) {
  std::vector<unsigned char> bytes;
  cv::imencode(extension, picture, bytes, parameters);
  return {bytes.begin(), bytes.end()};
}

/// Puts an EXIF block behind the start of a JPEG, as its first segment.
inline std::string WithExif(const std::string& jpeg, const ExifFields& fields) {
  const std::string content = std::string("Exif\0\0", 6) + ExifWriter(fields).Block();
  const std::size_t length = content.size() + 2;
  std::string segment = "\xFF\xE1";
  segment += static_cast<char>(length >> 8);
  segment += static_cast<char>(length & 0xFF);
  return jpeg.substr(0, 2) + segment + content + jpeg.substr(2);
}

inline std::string BigEndian32(std::uint32_t value) {
  std::string bytes;
  for (int shift = 24; shift >= 0; shift -= 8) bytes += static_cast<char>((value >> shift) & 0xFF);
  return bytes;
}

/// A chunk of a PNG with its checksum (ISO/IEC 15948, annex D).
inline std::string PngChunk(const std::string& type, const std::string& content) {
  std::uint32_t crc = 0xFFFFFFFFU;
  for (const char c : type + content) {
    crc ^= static_cast<unsigned char>(c);
    for (int bit = 0; bit < 8; ++bit) crc = (crc & 1U) != 0 ? 0xEDB88320U ^ (crc >> 1) : crc >> 1;
  }
  return BigEndian32(static_cast<std::uint32_t>(content.size())) + type + content +
         BigEndian32(~crc);
}

constexpr std::size_t kPngHeaderBytes = 8 + 25;  // signature and IHDR

/// The PNG with another size in its header.
inline std::string WithPngSize(const std::string& png, std::uint32_t width, std::uint32_t height) {
  const std::string rest_of_header = png.substr(8 + 16, 5);
  return png.substr(0, 8) +
         PngChunk("IHDR", BigEndian32(width) + BigEndian32(height) + rest_of_header) +
         png.substr(kPngHeaderBytes);
}

/// An upright picture that differs under each of the eight orientations, smooth enough for JPEG:
/// quarters red, green (top), blue, white (bottom).
inline cv::Mat Quarters(int width = 96, int height = 64) {
  cv::Mat picture(height, width, CV_8UC3);
  const cv::Rect quarter(0, 0, width / 2, height / 2);
  picture(quarter) = cv::Scalar(20, 20, 220);
  picture(quarter + cv::Point(width / 2, 0)) = cv::Scalar(20, 200, 20);
  picture(quarter + cv::Point(0, height / 2)) = cv::Scalar(220, 20, 20);
  picture(quarter + cv::Point(width / 2, height / 2)) = cv::Scalar(235, 235, 235);
  return picture;
}

/// How a camera stores `upright` under an orientation, after the table of EXIF 2.32, 4.6.4: which
/// side of the upright picture the stored row 0 and column 0 are.
inline cv::Mat Stored(const cv::Mat& upright, int orientation) {
  struct Sides {
    char row0;
    char column0;
  };
  constexpr std::array<Sides, 9> kSides = {{{'t', 'l'},
                                            {'t', 'l'},
                                            {'t', 'r'},
                                            {'b', 'r'},
                                            {'b', 'l'},
                                            {'l', 't'},
                                            {'r', 't'},
                                            {'r', 'b'},
                                            {'l', 'b'}}};
  const Sides sides = kSides[static_cast<std::size_t>(orientation)];
  const bool turned = orientation >= 5;
  cv::Mat stored(turned ? upright.cols : upright.rows, turned ? upright.rows : upright.cols,
                 upright.type());
  const auto along = [&](char side, int i) {
    switch (side) {
      case 'b':
        return upright.rows - 1 - i;
      case 'r':
        return upright.cols - 1 - i;
      default:
        return i;
    }
  };
  for (int row = 0; row < stored.rows; ++row) {
    for (int column = 0; column < stored.cols; ++column) {
      const int a = along(sides.row0, row);
      const int b = along(sides.column0, column);
      stored.at<cv::Vec3b>(row, column) = upright.at<cv::Vec3b>(turned ? b : a, turned ? a : b);
    }
  }
  return stored;
}

/// The largest difference of two pictures in any channel; a large number where their sizes differ.
inline double LargestDifference(const cv::Mat& a, const cv::Mat& b) {
  if (a.size() != b.size() || a.type() != b.type()) return 1e9;
  return cv::norm(a, b, cv::NORM_INF);
}

/// As LargestDifference, but leaves out the borders of the quarters, which JPEG and HEIC smear by
/// the coarser sampling of their colors.
inline double DifferenceInsideQuarters(cv::Mat a, cv::Mat b) {
  constexpr int kBorder = 4;
  for (cv::Mat* picture : {&a, &b}) {
    *picture = picture->clone();
    (*picture)(cv::Rect(0, picture->rows / 2 - kBorder, picture->cols, 2 * kBorder)) = cv::Scalar();
    (*picture)(cv::Rect(picture->cols / 2 - kBorder, 0, 2 * kBorder, picture->rows)) = cv::Scalar();
  }
  return LargestDifference(a, b);
}

}  // namespace tinesight::testing
