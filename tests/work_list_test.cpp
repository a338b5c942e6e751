#include "record/work_list.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <nlohmann/json.hpp>

#include "alignment/note_name.hpp"
#include "record/visit_comparison.hpp"
#include "tests/made_record.hpp"
#include "tests/temp_folder.hpp"

namespace tinesight {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::Not;
using ::testing::SizeIs;

// What a note of these tests measures, against SampleProfile: height 1.2, gap 1.5, ±0.5 mm each.
struct Figures {
  double lateral_mm = 0.0;
  double height_mm = 1.2;
  double gap_mm = 1.5;
  double u_mm = 0.1;
};

NoteMeasurement NoteOf(int midi, const Figures& figures) {
  const InstrumentProfile profile = SampleProfile();
  NoteMeasurement note = SampleNote(midi, NoteName(midi), 13.7 * (midi - 40), figures.lateral_mm,
                                    figures.u_mm, Verdict::kNotMeasured);
  note.height_mm = Measured{figures.height_mm, figures.u_mm};
  note.gap_mm = Measured{figures.gap_mm, figures.u_mm};
  note.lateral_verdict = Judge(figures.lateral_mm, figures.u_mm, 0.5);
  note.height_verdict = Judge(figures.height_mm - 1.2, figures.u_mm, 0.5);
  note.gap_verdict = Judge(figures.gap_mm - 1.5, figures.u_mm, 0.5);
  note.reason = note.lateral_verdict == Verdict::kUncertain ? "add a photo" : "";
  return note;
}

Visit VisitOf(std::int64_t id, const std::string& name, const std::string& date,
              const std::vector<NoteMeasurement>& notes,
              DamperState damper = DamperState::kHarpRaised) {
  Visit visit;
  visit.id = id;
  visit.name = name;
  visit.kind = VisitKindOf(name);
  visit.date = date;
  visit.recorded_utc = date + "T12:00:00Z";
  visit.profile = SampleProfile();
  visit.sets = {{id, damper, false, visit.recorded_utc, {{}, notes}}};
  visit.measurement = MergeSets(visit.sets);
  return visit;
}

ServiceRecord RecordOf(std::vector<Visit> visits) {
  ServiceRecord record;
  record.visits = std::move(visits);
  return record;
}

WorkTick Tick(int midi, WorkTask task, bool done, const std::string& date) {
  return {0, 1, midi, task, done, {"AB", date, date + "T15:00:00Z"}};
}

std::vector<std::string> Order(const WorkList& list) {
  std::vector<std::string> order;
  for (const WorkItem& item : list.items)
    order.push_back(TaskWord(item.step.task) + " " + item.name);
  return order;
}

TEST(WorkList, GroupsByToolAndPutsWhatCostsMostFirst) {
  NoteMeasurement crooked = NoteOf(43, {.lateral_mm = 0.9});
  crooked.yaw_deg = Measured{0.65, 0.05};
  crooked.tone_bar_yaw_deg = Measured{0.0, 0.05};
  const ServiceRecord record = RecordOf({VisitOf(
      1, "as found", "2024-05-02",
      {NoteOf(40, {.lateral_mm = 0.8}),                    // 0.6 tolerances over
       NoteOf(41, {.lateral_mm = -2.0}),                   // 3.0
       NoteOf(42, {.lateral_mm = 0.7, .height_mm = 3.4}),  // 0.4 and 3.4: the note counts 3.4
       crooked,                                            // 0.8
       NoteOf(44, {.gap_mm = 2.4}), NoteOf(45, {})})});
  const WorkList list = BuildWorkList(record, record.visits[0]);
  EXPECT_THAT(Order(list), ElementsAre("turn-tine G2", "turn-either F#2", "turn-either F2",
                                       "turn-either E2", "forward-screw F#2", "gap G#2"));
  EXPECT_NEAR(list.items[1].cost, 3.4, 1e-9);
  EXPECT_EQ(list.Count(WorkState::kOpen), 6U);
  EXPECT_THAT(list.undecided, IsEmpty());
  // 0.9 mm at 80 mm, the pickup straight ahead of the root: atan(0.9/80) = 0.64°.
  EXPECT_EQ(StepText(list.items[0].step, true),
            "turn the tine in its block 0.64° toward bass (0.90 mm at the pickup, U 0.10)");
}

TEST(WorkList, PutsLongerTinesFirstAmongEqualsAndTakesAnotherMeasureOfCost) {
  ServiceRecord record =
      RecordOf({VisitOf(1, "as found", "2024-05-02",
                        {NoteOf(40, {.lateral_mm = 0.8}), NoteOf(41, {.lateral_mm = 0.8}),
                         NoteOf(42, {.lateral_mm = -0.8})})});
  record.visits[0].profile.notes[1].tine_length_mm = 90.0;
  EXPECT_THAT(Order(BuildWorkList(record, record.visits[0])),
              ElementsAre("turn-either F2", "turn-either E2", "turn-either F#2"));
  WorkListOptions options;
  options.cost = [](const NoteMeasurement& note, const NoteProfile&) { return 1.0 * note.midi; };
  EXPECT_THAT(Order(BuildWorkList(record, record.visits[0], options)),
              ElementsAre("turn-either F#2", "turn-either F2", "turn-either E2"));
}

TEST(WorkList, SaysWhichUndecidedNotesTheEarWillNoticeFirst) {
  const ServiceRecord record =
      RecordOf({VisitOf(1, "as found", "2024-05-02",
                        {NoteOf(40, {.lateral_mm = 0.45}), NoteOf(41, {.lateral_mm = 0.45}),
                         NoteOf(42, {.lateral_mm = 0.9, .height_mm = 1.65})})});
  WorkListOptions options;
  options.heard = {41, 42};
  const WorkList list = BuildWorkList(record, record.visits[0], options);
  EXPECT_THAT(list.undecided, SizeIs(3));
  EXPECT_THAT(list.undecided_but_heard, ElementsAre("F2"));  // at F#2 there is work to begin with
  EXPECT_THAT(
      WorkListText(list),
      HasSubstr("turn nothing for them\n  First, as the ear is predicted to notice them: F2\n"));
  EXPECT_THAT(WorkListText(BuildWorkList(record, record.visits[0])), Not(HasSubstr("the ear is")));
}

TEST(WorkList, IsConfirmedOrReopenedByTheNextPhotos) {
  const auto as_found = VisitOf(1, "as found", "2024-05-02",
                                {NoteOf(40, {.lateral_mm = 0.9}), NoteOf(41, {.lateral_mm = 0.9}),
                                 NoteOf(42, {.lateral_mm = 0.9}), NoteOf(43, {.lateral_mm = 0.9}),
                                 NoteOf(44, {.lateral_mm = 0.9}), NoteOf(45, {.lateral_mm = 0.9})});
  const auto as_left = VisitOf(2, "as left", "2024-05-03",
                               {NoteOf(40, {.lateral_mm = 0.1}), NoteOf(41, {.lateral_mm = 0.8}),
                                NoteOf(42, {.lateral_mm = 0.45}), NoteOf(43, {.lateral_mm = 0.8}),
                                NoteOf(44, {.lateral_mm = -0.1})});
  ServiceRecord record = RecordOf({as_found, as_left});
  for (const int midi : {40, 41, 42, 45}) {
    record.ticks.push_back(Tick(midi, WorkTask::kTurnEither, true, "2024-05-02"));
  }
  const WorkList list = BuildWorkList(record, record.visits[0]);
  const auto item = [&](int midi) {
    return *std::find_if(list.items.begin(), list.items.end(),
                         [&](const WorkItem& i) { return i.midi == midi; });
  };
  EXPECT_EQ(item(40).state, WorkState::kConfirmed);
  EXPECT_EQ(item(40).state_reason,
            "confirmed by \"as left\": 0.10 mm toward treble, U 0.10: centered");
  EXPECT_EQ(item(41).state, WorkState::kReopened);
  EXPECT_EQ(item(41).state_reason,
            "reopened by \"as left\": 0.80 mm toward treble, U 0.10: re-center");
  EXPECT_EQ(item(42).state, WorkState::kUnsettled);
  EXPECT_THAT(item(42).state_reason, HasSubstr("not settled by \"as left\""));
  EXPECT_EQ(item(43).state, WorkState::kOpen);  // never ticked, still so
  EXPECT_THAT(item(43).state_reason, HasSubstr("still so in \"as left\""));
  EXPECT_EQ(item(44).state, WorkState::kConfirmed);  // done without a tick
  EXPECT_EQ(item(45).state, WorkState::kDone);       // no later photo of it
  EXPECT_EQ(item(45).state_reason, "ticked off 2024-05-02 by AB");

  // Ticked after the photos of "as left": they can't speak of that work, unless they prove it.
  record.ticks = {Tick(41, WorkTask::kTurnEither, true, "2024-05-04"),
                  Tick(40, WorkTask::kTurnEither, true, "2024-05-04"),
                  Tick(44, WorkTask::kTurnEither, false, "2024-05-04")};
  const WorkList later = BuildWorkList(record, record.visits[0]);
  const auto state = [&](int midi) {
    return std::find_if(later.items.begin(), later.items.end(),
                        [&](const WorkItem& i) { return i.midi == midi; })
        ->state;
  };
  EXPECT_EQ(state(41), WorkState::kDone);
  EXPECT_EQ(state(40), WorkState::kConfirmed);
  EXPECT_EQ(state(44), WorkState::kReopened);
}

TEST(WorkList, LeavesOutWhatIsRejectedOrUndecided) {
  ServiceRecord record =
      RecordOf({VisitOf(1, "as found", "2024-05-02",
                        {NoteOf(40, {.lateral_mm = 0.9}), NoteOf(41, {.lateral_mm = 0.9}),
                         NoteOf(42, {.lateral_mm = 0.45})})});
  record.reviews = {{1, 1, 40, ReviewState::kRejected, "", {}},
                    {2, 1, 41, ReviewState::kNeedsPhoto, "", {}}};
  const WorkList list = BuildWorkList(record, record.visits[0]);
  EXPECT_THAT(list.items, IsEmpty());
  ASSERT_THAT(list.undecided, SizeIs(2));
  EXPECT_EQ(list.undecided[0].first, "F2");
  EXPECT_EQ(list.undecided[1], std::pair(std::string("F#2"), std::string("add a photo")));
}

TEST(WorkList, NeverAsksForAHeightThatWasSeenUnderARestingDamperAlone) {
  NoteMeasurement note = NoteOf(40, {.height_mm = 3.0});
  note.height_verdict = Verdict::kUncertain;  // as JudgeNotes gives it for a resting damper
  const ServiceRecord record =
      RecordOf({VisitOf(1, "as found", "2024-05-02", {note}, DamperState::kResting)});
  EXPECT_THAT(BuildWorkList(record, record.visits[0]).items, IsEmpty());
}

TEST(WorkListText, IsReadAtTheBench) {
  ServiceRecord record =
      RecordOf({VisitOf(1, "as found", "2024-05-02",
                        {NoteOf(40, {.lateral_mm = 0.9}), NoteOf(41, {.height_mm = 0.4}),
                         NoteOf(42, {.lateral_mm = 0.45})})});
  record.visits[0].measurement.notes[2].damper_lift_mm = Measured{0.31, 0.12};
  record.visits[0].measurement.notes[2].suspicions = {
      {SuspicionKind::kToneBarLow, "tone bar low: check grommet and spring"}};
  record.ticks = {Tick(40, WorkTask::kTurnEither, true, "2024-05-02")};
  const WorkList list = BuildWorkList(record, record.visits[0]);
  const std::string text = WorkListText(list);
  EXPECT_THAT(text, HasSubstr("Work list of \"as found\", 2024-05-02: 1 to do, 1 done\n"));
  EXPECT_THAT(text, HasSubstr(" [x] E2    turn the tine 0.64° toward bass (0.90 mm at the pickup, "
                              "U 0.10)\n"));
  EXPECT_THAT(text, HasSubstr("ticked off 2024-05-02 by AB"));
  EXPECT_THAT(text, HasSubstr(" [ ] F2    the tine is 0.80 mm too low: forward screw"));
  EXPECT_THAT(text, HasSubstr("F#2 0.31 mm (U 0.12)"));
  EXPECT_THAT(text, HasSubstr("F#2: tone bar low"));
  EXPECT_THAT(text, HasSubstr("F#2: add a photo"));
  std::istringstream lines(WorkListText(list, true));
  for (std::string line; std::getline(lines, line);) {
    EXPECT_LE(line.size(), 100U) << line;
    for (const char c : line) EXPECT_TRUE(c >= ' ' && c <= '~') << line;
  }
  const auto json = nlohmann::json::parse(WorkListJson(list));
  EXPECT_EQ(json["items"][0]["task"], "turn-either");
  EXPECT_EQ(json["items"][0]["state"], "done");
  EXPECT_EQ(json["items"][1]["amount_u_mm"], 0.1);
  EXPECT_EQ(json["damper_lift"][0]["damper_lift_mm"], 0.31);
}

TEST(WorkListText, NamesWhatThePhotosSuggestWhereFiguresCantTell) {
  ServiceRecord record =
      RecordOf({VisitOf(1, "as found", "2024-05-02", {NoteOf(40, {.lateral_mm = 0.9})})});
  record.visits[0].measurement.notes[0].suspicions = {
      {SuspicionKind::kPickupOutOfLine, "pickup out of line"},
      {SuspicionKind::kCrookedInBlock, "crooked in its block, 0.60° (U 0.40°) toward treble"}};
  EXPECT_THAT(
      WorkListText(BuildWorkList(record, record.visits[0])),
      HasSubstr("perhaps crooked in its block, 0.60° (U 0.40°) toward treble: turn the tine"));
}

// Comparison.

TEST(Comparison, StatesTheChangeWithItsUncertainty) {
  const ServiceRecord record = RecordOf(
      {VisitOf(1, "as found", "2024-05-02", {NoteOf(40, {.lateral_mm = 0.9, .u_mm = 0.08})}),
       VisitOf(2, "as left", "2024-05-03", {NoteOf(40, {.lateral_mm = 0.1, .u_mm = 0.06})})});
  const VisitComparison comparison = CompareVisits(record, record.visits[0], record.visits[1]);
  ASSERT_THAT(comparison.notes, SizeIs(1));
  const QuantityChange& lateral = comparison.notes[0].changes[0];
  EXPECT_NEAR(lateral.change_mm.value, -0.8, 1e-12);
  // JCGM 100, 5.1.2: √(0.08² + 0.06²) = 0.10.
  EXPECT_NEAR(lateral.change_mm.expanded_u, 0.10, 1e-12);
  EXPECT_EQ(lateral.kind, ChangeKind::kImproved);
  ASSERT_TRUE(comparison.notes[0].yaw_change_deg);
  EXPECT_NEAR(comparison.notes[0].yaw_change_deg->expanded_u, 0.05 * std::sqrt(2.0), 1e-12);
}

TEST(Comparison, TellsWhatImprovedMovedAndIsOpen) {
  const auto before =
      VisitOf(1, "as found", "2024-05-02",
              {NoteOf(40, {.lateral_mm = 0.9}), NoteOf(41, {.lateral_mm = 0.9}), NoteOf(42, {}),
               NoteOf(43, {.gap_mm = 1.5}), NoteOf(44, {.lateral_mm = 0.9}), NoteOf(45, {})});
  const auto after = VisitOf(2, "as left", "2024-05-03",
                             {NoteOf(40, {.lateral_mm = 0.1}), NoteOf(41, {.lateral_mm = 0.7}),
                              NoteOf(42, {.lateral_mm = 0.14}),  // √2 · 0.1 = 0.1414: not beyond
                              NoteOf(43, {.gap_mm = 1.7}),       // beyond, and nobody touched it
                              NoteOf(44, {.lateral_mm = 0.45}), NoteOf(46, {})});
  ServiceRecord record = RecordOf({before, after});
  for (const int midi : {40, 41, 44}) {
    record.work_done.push_back({0, midi, "turned", {"", "2024-05-02", ""}});
  }
  record.work_done.push_back({0, 43, "years ago", {"", "2014-05-02", ""}});
  const VisitComparison comparison = CompareVisits(record, record.visits[0], record.visits[1]);
  ASSERT_THAT(comparison.notes, SizeIs(5));
  const auto& notes = comparison.notes;
  EXPECT_TRUE(notes[0].improved && !notes[0].open && !notes[0].moved_untouched);
  EXPECT_TRUE(notes[1].improved && notes[1].open);
  EXPECT_THAT(notes[1].open_reason, HasSubstr("lateral 0.70 mm toward treble, U 0.10: re-center"));
  EXPECT_FALSE(notes[2].improved || notes[2].worse || notes[2].open || notes[2].moved_untouched);
  EXPECT_TRUE(notes[3].worse && notes[3].moved_untouched && !notes[3].worked_on);
  EXPECT_TRUE(notes[4].open) << "out before, uncertain now: not proven";
  EXPECT_THAT(comparison.only_before, ElementsAre("A2"));
  EXPECT_THAT(comparison.only_after, ElementsAre("A#2"));
  const std::string text = ComparisonText(comparison);
  EXPECT_THAT(text, HasSubstr(" + E2   lateral 0.90 mm toward treble to 0.10 mm toward treble "
                              "(-0.80, U 0.14)"));
  EXPECT_THAT(text, HasSubstr(" ~ G2   gap 1.50 mm to 1.70 mm (+0.20, U 0.14), worse"));
  EXPECT_THAT(text, HasSubstr("No change beyond U (=)\n  F#2\n"));
  EXPECT_THAT(text, Not(HasSubstr("not measured again")));
  const auto json = nlohmann::json::parse(ComparisonJson(comparison));
  EXPECT_EQ(json["notes"][3]["moved_untouched"], true);
  EXPECT_EQ(json["notes"][0]["changes"][0]["kind"], "improved");
}

TEST(Comparison, CountsWorkOnTheWholeInstrumentTicksAndReplacedGrommets) {
  const auto visits = [] {
    return RecordOf({VisitOf(1, "as found", "2024-05-02", {NoteOf(40, {.lateral_mm = 0.9})}),
                     VisitOf(2, "as left", "2024-05-03", {NoteOf(40, {.lateral_mm = 0.1})})});
  };
  const auto worked_on = [](const ServiceRecord& record) {
    return CompareVisits(record, record.visits[0], record.visits[1]).notes[0].worked_on;
  };
  EXPECT_FALSE(worked_on(visits()));
  ServiceRecord record = visits();
  record.work_done = {{0, std::nullopt, "new grommets throughout", {"", "2024-05-03", ""}}};
  EXPECT_TRUE(worked_on(record));
  record = visits();
  record.ticks = {Tick(40, WorkTask::kTurnEither, true, "2024-05-02")};
  EXPECT_TRUE(worked_on(record));
  record.ticks.push_back(Tick(40, WorkTask::kTurnEither, false, "2024-05-02"));
  EXPECT_FALSE(worked_on(record));
  record.findings = {{0,
                      40,
                      FindingPart::kGrommet,
                      "replaced",
                      false,
                      ScrewPlace::kEither,
                      WorkStage::kAfter,
                      "",
                      {"", "2024-05-03", ""}}};
  EXPECT_TRUE(worked_on(record));
  record.findings[0].state = "hardened";
  EXPECT_FALSE(worked_on(record));
}

TEST(Comparison, DoesNotForgetANoteThatWasOutAndNotMeasuredAgain) {
  const ServiceRecord record =
      RecordOf({VisitOf(1, "as found", "2024-05-02",
                        {NoteOf(40, {}), NoteOf(41, {.lateral_mm = 0.9}), NoteOf(42, {})}),
                VisitOf(2, "as left", "2024-05-03", {NoteOf(40, {})})});
  const auto comparison = CompareVisits(record, record.visits[0], record.visits[1]);
  EXPECT_THAT(comparison.only_before, ElementsAre("F2", "F#2"));
  EXPECT_THAT(comparison.not_again, ElementsAre("F2"));
  EXPECT_THAT(ComparisonText(comparison),
              HasSubstr("Out of tolerance in \"as found\", and not measured again (!)\n  F2\n"));
  EXPECT_EQ(nlohmann::json::parse(ComparisonJson(comparison))["not_measured_again"],
            nlohmann::json::array({"F2"}));
}

TEST(Comparison, TellsDamperLiftsOfOneVisitInOneParagraph) {
  ServiceRecord record = RecordOf(
      {VisitOf(1, "as found", "2024-05-02", {NoteOf(40, {}), NoteOf(41, {}), NoteOf(42, {})}),
       VisitOf(2, "as left", "2024-05-03", {NoteOf(40, {}), NoteOf(41, {}), NoteOf(42, {})})});
  auto& before = record.visits[0].measurement.notes;
  auto& after = record.visits[1].measurement.notes;
  before[0].damper_lift_mm = Measured{0.30, 0.08};
  for (NoteMeasurement& note : after) note.damper_lift_mm = Measured{0.25, 0.07};
  const std::string text =
      ComparisonText(CompareVisits(record, record.visits[0], record.visits[1]));
  EXPECT_THAT(text, HasSubstr("   E2   0.30 mm (U 0.08) to 0.25 mm (U 0.07)\n"));
  EXPECT_THAT(text, HasSubstr("in \"as left\" alone: F2 0.25 mm (U 0.07); F#2 0.25 mm (U 0.07)\n"));
  EXPECT_THAT(text, Not(HasSubstr("in \"as found\" alone: ")));
}

TEST(Comparison, NeverSetsAHeightUnderADamperAgainstOneWithout) {
  const auto resting =
      VisitOf(1, "as found", "2024-05-02", {NoteOf(40, {.height_mm = 1.9})}, DamperState::kResting);
  const auto raised = VisitOf(2, "as left", "2024-05-03", {NoteOf(40, {.height_mm = 1.2})});
  const ServiceRecord record = RecordOf({resting, raised});
  const auto comparison = CompareVisits(record, record.visits[0], record.visits[1]);
  for (const QuantityChange& change : comparison.notes[0].changes) {
    EXPECT_NE(change.quantity, Quantity::kHeight);
  }
  EXPECT_THAT(ComparisonText(comparison), Not(HasSubstr("height 1.90")));
}

}  // namespace
}  // namespace tinesight
