// `tinesight tone` and `tinesight what-if` as a technician runs them, on a result made by hand.

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <nlohmann/json.hpp>
#include <set>

#include "alignment/note_name.hpp"
#include "record/result_json.hpp"
#include "record/work_list.hpp"
#include "tests/run_command.hpp"
#include "tests/sample_visit.hpp"

namespace tinesight {
namespace {

using nlohmann::json;
using ::testing::AllOf;
using ::testing::HasSubstr;
using ::testing::Not;

TEST(ToneOrder, CostsWhatIsHeardAndNothingMoreWhereItCanNotBePredicted) {
  Visit visit;
  visit.profile = SampleProfile();
  for (const NoteProfile& target : visit.profile.notes) {
    NoteMeasurement note =
        SampleNote(target.midi, NoteName(target.midi), 0.0, 0.0, 0.05, Verdict::kInTolerance);
    note.height_mm->value = target.height_mm;
    visit.measurement.notes.push_back(note);
  }
  std::vector<NoteMeasurement>& notes = visit.measurement.notes;
  notes[6].height_mm->value -= 0.7;
  notes[2].gap_mm.reset();
  const WorkListOptions options = ToneOrder(visit);
  const auto cost = [&](std::size_t i) { return options.cost(notes[i], visit.profile.notes[i]); };
  EXPECT_GT(cost(6), 1.0);
  EXPECT_EQ(cost(2), 1.0);  // as if just heard: neither first nor forgotten
  EXPECT_LT(cost(4), 1.0);
  EXPECT_EQ(options.heard, std::set<int>{visit.profile.notes[6].midi});
}

class ToneCommand : public ::testing::Test {
 protected:
  void SetUp() override {
    json instrument{{"name", "bench"}, {"note_spacing_mm", 13.7}, {"notes", json::array()}};
    for (const int midi : {40, 60}) {
      instrument["notes"].push_back({{"midi", midi},
                                     {"tine_diameter_mm", 1.9},
                                     {"pole_tip_diameter_mm", 3.0},
                                     {"bobbin_diameter_mm", 13.6},
                                     {"gap_mm", 1.5},
                                     {"height_mm", 1.0},
                                     {"tolerance_lateral_mm", 0.5},
                                     {"tolerance_height_mm", 0.5},
                                     {"tolerance_gap_mm", 0.5}});
    }
    folder_.Write("instrument.json", instrument.dump());
    VisitMeasurement visit;
    for (int midi = 40; midi <= 60; ++midi) {
      NoteMeasurement note =
          SampleNote(midi, NoteName(midi), 0.0, 0.0, 0.05, Verdict::kInTolerance);
      note.height_mm = Measured{1.0, 0.05};
      note.gap_mm = Measured{1.5, 0.05};
      visit.notes.push_back(note);
    }
    visit.notes[2].lateral_mm->value = 0.6;   // F#2: out, unheard
    visit.notes[10].height_mm->value = 0.55;  // D3: in, heard
    visit.notes[15].gap_mm.reset();           // G3
    folder_.Write("result.json", ResultJson(visit));
  }

  tinesight::testing::TempFolder folder_;
};

TEST_F(ToneCommand, NamesWhatIsHeardAndWhatIsNot) {
  const CommandOutcome run = RunTinesight(
      "tone result.json --instrument instrument.json --json tone.json", folder_.Path());
  ASSERT_EQ(run.status, 0) << run.err;
  const std::size_t heard = run.out.find("To be heard"), wait = run.out.find("these can wait"),
                    rest = run.out.find("Like their neighbors");
  ASSERT_TRUE(heard < wait && wait < rest && rest != std::string::npos) << run.out;
  EXPECT_THAT(run.out.substr(heard, wait - heard),
              AllOf(HasSubstr("D3 sticks out"), Not(HasSubstr("F#2"))));
  EXPECT_THAT(run.out.substr(wait, rest - wait), HasSubstr("F#2 is off by its lateral offset"));
  EXPECT_THAT(run.out, AllOf(HasSubstr("not listened to"), HasSubstr("workshop defaults"),
                             HasSubstr("Best place")));
  for (std::size_t begin = 0; begin < run.out.size();) {
    const std::size_t end = run.out.find('\n', begin);
    EXPECT_LE(end - begin, 100U) << run.out.substr(begin, end - begin);
    begin = end + 1;
  }
  const json written = json::parse(tinesight::testing::Contents(folder_ / "tone.json"));
  EXPECT_EQ(written.at("notes").size(), 20U);  // without G3
  EXPECT_EQ(written.at("notes").at(10).at("verdict"), "sticks out");
  EXPECT_GT(written.at("notes").at(10).at("cost"), 1.0);
}

TEST_F(ToneCommand, PredictsWhatAMoveDoes) {
  const CommandOutcome run = RunTinesight(
      "what-if result.json --instrument instrument.json --note 'F#2' --lateral 0 --height 1.2 "
      "--wav "
      "sounds",
      folder_.Path());
  ASSERT_EQ(run.status, 0) << run.err;
  EXPECT_THAT(run.out,
              AllOf(HasSubstr("now   lateral 0.60 mm toward treble, height 1.00 mm, gap 1.50 mm"),
                    HasSubstr("then  lateral 0.00 mm, height 1.20 mm, gap 1.50 mm"),
                    HasSubstr("At a medium stroke F#2 gets"),
                    HasSubstr("prediction_F#2_then_level-matched.wav")));
  EXPECT_TRUE(std::filesystem::exists(folder_ / "sounds/prediction_F#2_now.wav"));
}

TEST_F(ToneCommand, SaysInOneLineWhatIsWrong) {
  const struct {
    const char* arguments;
    int status;
    const char* says;
  } cases[] = {
      {"what-if result.json --instrument instrument.json --note H2 --gap 1", 2, "is no note name"},
      {"what-if result.json --instrument instrument.json --note D3", 2, "nothing to change"},
      {"what-if result.json --instrument instrument.json --note D3 --gap 0", 2, "--gap"},
      {"what-if result.json --instrument instrument.json --note D3 --lateral nan", 2,
       "nan is no number from -20 to 20"},
      {"what-if result.json --instrument instrument.json --note D3 --height inf", 2, "--height"},
      {"tone result.json --instrument instrument.json --second-mode nan", 2,
       "nan is no number from 0 to 0.5"},
      {"what-if result.json --note D3 --gap 1", 2, "--instrument is required"},
      {"what-if result.json --instrument instrument.json --note G3 --gap 1", 1,
       "G3 has not lateral offset, height and gap all measured"},
      {"what-if result.json --instrument instrument.json --note C2 --gap 1", 1,
       "outside the compass"},
      {"tone missing.json --instrument instrument.json", 1, "missing.json"},
      {"tone missing.tinerec", 1, "missing.tinerec"},
      {"tone result.json --instrument instrument.json --visit x", 2, "--visit"},
      {"tone instrument.json --instrument instrument.json", 1, "is no result"},
      {"what-if result.json --instrument instrument.json --note D3 --gap 1 --wav result.json/x", 1,
       "result.json"},
  };
  for (const auto& row : cases) {
    const CommandOutcome run = RunTinesight(row.arguments, folder_.Path());
    EXPECT_EQ(run.status, row.status) << row.arguments << '\n' << run.err;
    EXPECT_THAT(run.err, HasSubstr(row.says)) << row.arguments;
    EXPECT_EQ(std::count(run.err.begin(), run.err.end(), '\n'), 1) << run.err;
  }
}

}  // namespace
}  // namespace tinesight
