#include "record/result_table.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <sstream>

#include "record/text_util.hpp"
#include "tests/sample_visit.hpp"

namespace tinesight {
namespace {

using testing::HasSubstr;
using testing::Not;

TEST(ResultTable, PutsWhatNeedsWorkFirstThenUncertainThenTheRest) {
  const std::string table = ResultTable(SampleVisit());
  const std::size_t out = table.find(" ! F2");
  const std::size_t uncertain = table.find(" ? F#2");
  const std::size_t good = table.find(" = E2");
  const std::size_t missing = table.find(" x G2");
  ASSERT_NE(missing, std::string::npos) << table;
  EXPECT_LT(out, uncertain);
  EXPECT_LT(uncertain, good);
  EXPECT_LT(good, missing);
  EXPECT_THAT(table, HasSubstr("0.90 ± 0.05 toward treble !"));
  EXPECT_THAT(table, HasSubstr("re-center\n"));
  EXPECT_THAT(table, HasSubstr("Tine crooked in its block"));
  EXPECT_THAT(table, HasSubstr("0.45 ± 0.10 toward bass ?"));
  EXPECT_THAT(table, HasSubstr("0.05 ± 0.05 bass"));
  EXPECT_THAT(table,
              HasSubstr("3 notes measured: 1 centered, 1 re-center, 1 uncertain; 1 not measured."));
  EXPECT_THAT(table, HasSubstr("B1.jpg: the mount bar is blurred"));
  EXPECT_THAT(table, HasSubstr("B2.jpg: refused: no tag"));
}

TEST(ResultTable, SaysOncePerPhotoThatItIsRefused) {
  VisitMeasurement visit = SampleVisit();
  PhotoMeasurement& refused = visit.photos.back();
  ASSERT_FALSE(refused.used);
  refused.warnings.emplace_back("seen without a calibration");
  EXPECT_THAT(ResultTable(visit, {}), HasSubstr("B2.jpg: seen without a calibration"));
}

TEST(ResultTable, OrdersByExcessOverTheNotesOwnTolerance) {
  VisitMeasurement visit = SampleVisit();
  visit.notes.resize(2);
  visit.notes[0] = SampleNote(40, "E2", 0.0, -0.7, 0.05, Verdict::kOutOfTolerance);
  InstrumentProfile profile = SampleProfile();
  const std::string by_offset = ResultTable(visit, {false, false, &profile});
  EXPECT_LT(by_offset.find("! F2"), by_offset.find("! E2"));
  profile.notes[0].tolerance_lateral_mm = 0.2;  // E2 is now the worse one
  const std::string by_excess = ResultTable(visit, {false, false, &profile});
  EXPECT_LT(by_excess.find("! E2"), by_excess.find("! F2"));
  EXPECT_THAT(by_excess, HasSubstr("lateral at most 0.20 mm"));
}

TEST(ResultTable, NeverExceeds100ColumnsNorItsCharacterSet) {
  VisitMeasurement visit = SampleVisit();
  for (NoteMeasurement& note : visit.notes) {
    if (!note.lateral_mm) continue;
    note.lateral_verdict = note.height_verdict = note.gap_verdict =
        note.midi == 42 ? Verdict::kUncertain : Verdict::kOutOfTolerance;
    note.advice = std::string(150, 'w') +
                  " turn it 0.5° − then look again, one word after another "
                  "until the line is full and the next one begins";
  }
  const InstrumentProfile profile = SampleProfile();
  for (const bool ascii : {false, true}) {
    const std::string table = ResultTable(visit, {false, ascii, &profile});
    std::istringstream lines(table);
    for (std::string line; std::getline(lines, line);) {
      EXPECT_LE(DisplayWidth(line), 100U) << line;
      for (const char c : line) EXPECT_GE(ascii ? c : ' ', ' ') << line;
    }
  }
}

TEST(ResultTable, UsesEscapesOnlyWhenAskedAndNeverFromAFileName) {
  VisitMeasurement visit = SampleVisit();
  visit.photos[0].file = "B1\x1b[2J.jpg";
  visit.photos[0].warnings = {"bad\nthing \xc2\x9b"};
  EXPECT_THAT(ResultTable(visit), Not(HasSubstr("\x1b")));
  EXPECT_THAT(ResultTable(visit), HasSubstr("bad?thing ?"));
  EXPECT_THAT(ResultTable(visit, {true, false, nullptr}), HasSubstr("\x1b[1;31m ! F2"));
}

TEST(ResultTable, KeepsNotesThatOnlyLackAGapInCompactForm) {
  VisitMeasurement visit = SampleVisit();
  visit.notes[0].gap_verdict = Verdict::kUncertain;
  visit.notes[0].reason = "the gap needs a second photo";
  const std::string table = ResultTable(visit);
  EXPECT_THAT(table, HasSubstr(" ? E2   0.05 ± 0.05 bass      1.21    1.50?"));
  EXPECT_THAT(table, HasSubstr("E2: the gap needs a second photo"));
}

TEST(ResultTable, GivesASharedReasonOnceAndTargetsOfWhatIsToBeCorrected) {
  VisitMeasurement visit = SampleVisit();
  for (const std::size_t i : {0U, 2U}) {
    visit.notes[i].lateral_verdict = Verdict::kUncertain;
    visit.notes[i].reason = "too near the tolerance; add a photo from the other side";
  }
  visit.notes[1].gap_verdict = Verdict::kUncertain;
  const InstrumentProfile profile = SampleProfile();
  const std::string table = ResultTable(visit, {false, false, &profile});
  const std::string reason = "E2, F#2: too near the tolerance; add a photo from the other side\n";
  EXPECT_THAT(table, HasSubstr(reason));
  EXPECT_EQ(table.find("too near"), table.rfind("too near")) << table;
  EXPECT_THAT(table, HasSubstr("Should be: lateral at most 0.50 mm.\n")) << "not the gap's too";
}

TEST(ResultTable, SaysWhatThePhotosMakeOneSuspect) {
  VisitMeasurement visit = SampleVisit();
  EXPECT_THAT(ResultTable(visit), Not(HasSubstr("Worth a look")));
  visit.notes[1].suspicions = {
      {SuspicionKind::kToneBarLow, "tone bar low, 0.80 mm: check grommet and spring"}};
  const std::string table = ResultTable(visit);
  EXPECT_THAT(table, HasSubstr("Worth a look, by the photos alone\n   F2   tone bar low, 0.80 mm"));
}

TEST(ResultTable, SaysSomethingForAVisitWithoutNotes) {
  EXPECT_THAT(ResultTable({}), HasSubstr("0 notes measured"));
}

TEST(FixedDecimals, RoundsWithoutNegativeZero) {
  EXPECT_EQ(FixedDecimals(-0.004, 2), "0.00");
  EXPECT_EQ(FixedDecimals(-0.006, 2), "-0.01");
  EXPECT_EQ(FixedDecimals(1.0 / 0.0, 2), "?");
  EXPECT_EQ(FixedDecimals(12.345, 1), "12.3");
}

}  // namespace
}  // namespace tinesight
