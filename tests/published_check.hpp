#pragma once

// A check against something outside the project asserts and is put on record in one breath, so
// that the table of tests/README.md has no row that no test holds.

#include <gtest/gtest.h>

#include <cmath>
#include <filesystem>
#include <fstream>
#include <iomanip>
#include <sstream>
#include <string>

namespace tinesight {

/// Where a value comes from, if not from the publication itself.
enum class CheckKind { kPublished, kRecomputed, kFromMemory, kCommonPractice };

struct PublishedCheck {
  std::string source;  ///< with its number, as in "JCGM 100:2008, H.2"
  std::string what;    ///< with its unit, as in "u(X), Ω"
  CheckKind kind = CheckKind::kPublished;
};

inline std::string CheckKindWords(CheckKind kind) {
  switch (kind) {
    case CheckKind::kPublished:
      break;
    case CheckKind::kRecomputed:
      return "recomputed, not published";
    case CheckKind::kFromMemory:
      return "from memory";
    case CheckKind::kCommonPractice:
      return "common practice, no source";
  }
  return "";
}

/// One row of the record: fields divided by tabs, numbers with `digits` significant digits.
inline void RecordCheck(const PublishedCheck& check, const std::string& published,
                        const std::string& ours, const std::string& difference,
                        const std::string& allowed) {
  const ::testing::TestInfo* test = ::testing::UnitTest::GetInstance()->current_test_info();
  const std::string name = std::string(test->test_suite_name()) + "." + test->name();
  const std::filesystem::path folder = TINESIGHT_CHECKS_DIR;
  std::filesystem::create_directories(folder);
  // A test's first row begins its file anew: what a former run recorded is gone.
  static std::string open_test;
  const auto mode = open_test == name ? std::ios::app : std::ios::trunc;
  open_test = name;
  std::ofstream(folder / (name + ".tsv"), mode)
      << check.source << '\t' << check.what << '\t' << CheckKindWords(check.kind) << '\t'
      << published << '\t' << ours << '\t' << difference << '\t' << allowed << '\t' << name << '\n';
}

inline std::string CheckDigits(double value, int digits) {
  std::ostringstream text;
  text << std::setprecision(digits) << value;
  return text.str();
}

/// Digits that show a value to a tenth of the tolerance, 2 … 15.
inline int DigitsFor(double value, double tolerance) {
  if (!(tolerance > 0.0) || value == 0.0) return 6;
  const double digits = std::ceil(std::log10(std::abs(value) / tolerance)) + 1.0;
  return static_cast<int>(std::min(15.0, std::max(2.0, digits)));
}

/// EXPECTs |ours − published| ≤ tolerance and records the row.
inline void ExpectPublished(const PublishedCheck& check, double ours, double published,
                            double tolerance) {
  const double difference = ours - published;
  EXPECT_TRUE(std::abs(difference) <= tolerance)
      << check.source << ", " << check.what << ": " << ours << " instead of " << published;
  RecordCheck(check, CheckDigits(published, 15), CheckDigits(ours, DigitsFor(ours, tolerance)),
              CheckDigits(difference, 2), CheckDigits(tolerance, 2));
}

/// The same with a tolerance relative to the published value.
inline void ExpectPublishedRelative(const PublishedCheck& check, double ours, double published,
                                    double tolerance) {
  const double allowed = tolerance * std::abs(published);
  EXPECT_TRUE(std::abs(ours - published) <= allowed)
      << check.source << ", " << check.what << ": " << ours << " instead of " << published;
  RecordCheck(check, CheckDigits(published, 15), CheckDigits(ours, DigitsFor(ours, allowed)),
              CheckDigits(ours - published, 2), CheckDigits(tolerance, 2) + " of it");
}

/// EXPECTs that ours is below a published limit and records the row.
inline void ExpectBelowPublished(const PublishedCheck& check, double ours, double limit) {
  EXPECT_TRUE(ours < limit) << check.source << ", " << check.what << ": " << ours
                            << " is not below " << limit;
  RecordCheck(check, "below " + CheckDigits(limit, 6), CheckDigits(ours, 4), "", "");
}

}  // namespace tinesight
