// Review, commands and input without a window, against a real record file.
#include <gtest/gtest.h>

#include <set>

#include "record/result_json.hpp"
#include "tests/sample_visit.hpp"
#include "tests/temp_folder.hpp"
#include "viewer/input_queue.hpp"
#include "viewer/photo_overlay.hpp"
#include "viewer/session.hpp"
#include "viewer/view_state.hpp"
#include "viewer/viewer_settings.hpp"

namespace tinesight {
namespace {

using testing::TempFolder;

const char* const kProfileJson = R"({"name":"demo","note_spacing_mm":13.7,"notes":[
  {"midi":40,"tine_length_mm":80,"tine_diameter_mm":1.9,"pole_tip_diameter_mm":3.0,
   "bobbin_diameter_mm":13.6,"gap_mm":1.5,"height_mm":1.2,"tolerance_lateral_mm":0.5,
   "tolerance_height_mm":0.5,"tolerance_gap_mm":0.5},
  {"midi":50,"tine_length_mm":60,"tine_diameter_mm":1.9,"pole_tip_diameter_mm":3.0,
   "bobbin_diameter_mm":13.6,"gap_mm":1.5,"height_mm":1.2,"tolerance_lateral_mm":0.5,
   "tolerance_height_mm":0.5,"tolerance_gap_mm":0.5}]})";

std::filesystem::path MakeRecord(const TempFolder& folder) {
  VisitEntry entry;
  entry.name = "as found";
  entry.profile_json = kProfileJson;
  const auto profile_file = folder.Write("profile.json", kProfileJson);
  entry.profile = ReadInstrumentProfile(profile_file).value();
  entry.damper = DamperState::kHarpRaised;
  entry.measurement = SampleVisit();
  entry.photos = {"/somewhere/B1.jpg", "/somewhere/B2.jpg"};
  std::filesystem::path file = folder / "piano.tinerec";
  const auto added = AddVisit(file, entry);
  EXPECT_TRUE(added) << (added ? "" : added.error().message);
  return file;
}

Session OpenSession(const std::filesystem::path& file) {
  return Session(OpenDocument(file, nullptr).value());
}

TEST(Session, ListsFlaggedNotesWorstFirstAndSelectsTheFirst) {
  const TempFolder folder;
  const Session session = OpenSession(MakeRecord(folder));
  ASSERT_EQ(session.Flagged().size(), 3U);
  EXPECT_EQ(session.Flagged()[0].midi, 41);  // to re-center
  EXPECT_EQ(session.Flagged()[1].midi, 42);  // uncertain
  EXPECT_EQ(session.Flagged()[2].midi, 43);  // not measured
  EXPECT_EQ(session.Midi(), 41);
  EXPECT_EQ(session.PhotoIndex(), 0U);
}

TEST(Session, DecisionsAreInTheFileAtOnce) {
  const TempFolder folder;
  const auto file = MakeRecord(folder);
  Session session = OpenSession(file);
  ASSERT_TRUE(session.Decide(ReviewState::kAccepted));
  // Read by another reader while the session is still open, as after a crash.
  const auto record = ReadServiceRecord(file);
  ASSERT_TRUE(record);
  const Review* review = record->ReviewOf(record->visits[0].id, 41);
  ASSERT_NE(review, nullptr);
  EXPECT_EQ(review->state, ReviewState::kAccepted);
}

TEST(Session, UndoAndRedoReachTheFile) {
  const TempFolder folder;
  const auto file = MakeRecord(folder);
  Session session = OpenSession(file);
  ASSERT_TRUE(session.Decide(ReviewState::kAccepted));
  ASSERT_TRUE(session.Decide(ReviewState::kRejected));
  ASSERT_TRUE(session.Undo());
  EXPECT_EQ(session.ReviewOf(41), ReviewState::kAccepted);
  ASSERT_TRUE(session.Undo());
  EXPECT_EQ(session.ReviewOf(41), ReviewState::kNone);
  EXPECT_FALSE(session.Undo());
  const auto undone = ReadServiceRecord(file);
  ASSERT_TRUE(undone);
  EXPECT_TRUE(undone->reviews.empty());
  ASSERT_TRUE(session.Redo());
  const auto redone = ReadServiceRecord(file);
  ASSERT_TRUE(redone);
  ASSERT_EQ(redone->reviews.size(), 1U);
  EXPECT_EQ(redone->reviews[0].state, ReviewState::kAccepted);
  EXPECT_EQ(session.ReviewOf(41), ReviewState::kAccepted);
}

TEST(Session, KeepsFindingsWorkAndPictures) {
  const TempFolder folder;
  const auto file = MakeRecord(folder);
  Session session = OpenSession(file);
  Finding finding;
  finding.midi = 41;
  finding.part = FindingPart::kGrommet;
  finding.state = StatesOf(FindingPart::kGrommet).front();
  ASSERT_TRUE(session.AddFinding(finding));
  ASSERT_TRUE(session.AddWork("new grommets"));
  Attachment picture;
  picture.midi = 41;
  picture.name = "F2_photo.jpg";
  picture.media_type = "image/jpeg";
  picture.caption = "F2";
  ASSERT_TRUE(session.Attach(picture, "bytes of a picture"));
  const auto record = ReadServiceRecord(file);
  ASSERT_TRUE(record);
  ASSERT_EQ(record->findings.size(), 1U);
  ASSERT_EQ(record->work_done.size(), 1U);
  EXPECT_EQ(record->work_done[0].text, "new grommets");
  ASSERT_EQ(record->attachments.size(), 1U);
  EXPECT_EQ(ReadAttachment(file, record->attachments[0].id).value(), "bytes of a picture");
  for (int i = 0; i < 3; ++i) ASSERT_TRUE(session.Undo());
  const auto undone = ReadServiceRecord(file);
  ASSERT_TRUE(undone);
  EXPECT_TRUE(undone->findings.empty() && undone->work_done.empty() && undone->attachments.empty());
}

TEST(Session, AMisreadNoteIsPlacedByHandKeptAndTakenBack) {
  const TempFolder folder;
  const auto file = MakeRecord(folder);
  const double measured = 0.9;
  HandMark mark;
  {
    Session session = OpenSession(file);
    const PhotoMeasurement& photo = session.CurrentVisit().measurement.photos[0];
    // The axis straight from the root to the pickup's center: no lateral offset.
    const NoteMeasurement& note = *session.Note();
    mark.axis_px = {
        ProjectUndistorted(photo, note.root_harp_mm).value(),
        ProjectUndistorted(photo, note.pickup_harp_mm + Eigen::Vector3d(0, 1.2, -2)).value()};
    ASSERT_TRUE(session.PlaceByHand(0, mark)) << "placing by hand failed";
    EXPECT_LE(std::abs(session.Note()->lateral_mm->value), 0.2);
    EXPECT_TRUE(session.PlacedByHand(41));
  }
  Session again = OpenSession(file);
  again.SelectNote(41);
  EXPECT_LE(std::abs(again.Note()->lateral_mm->value), 0.2) << "not there after reopening";
  ASSERT_TRUE(again.MarkOf(0));
  EXPECT_LE((again.MarkOf(0)->axis_px[1] - mark.axis_px[1]).norm(), 1e-9);
  ASSERT_TRUE(again.ResetByHand());
  EXPECT_EQ(again.Note()->lateral_mm->value, measured);
  EXPECT_FALSE(again.PlacedByHand(41));
  ASSERT_TRUE(again.Undo());
  EXPECT_TRUE(again.PlacedByHand(41));
  ASSERT_TRUE(again.Redo());
  EXPECT_EQ(again.Note()->lateral_mm->value, measured);
  const auto record = ReadServiceRecord(file);
  ASSERT_TRUE(record);
  EXPECT_TRUE(record->corrections.empty());
}

TEST(Session, ADecisionThatCannotBeWrittenChangesNothing) {
  const TempFolder folder;
  const auto file = MakeRecord(folder);
  Session session = OpenSession(file);
  std::filesystem::remove(file);
  const auto decided = session.Decide(ReviewState::kAccepted);
  ASSERT_FALSE(decided);
  testing::ExpectOneLine(decided.error().message);
  EXPECT_EQ(session.ReviewOf(41), ReviewState::kNone);
  EXPECT_FALSE(session.CanUndo());
}

TEST(Session, AResultCanBeSeenButKeepsNoDecisions) {
  const TempFolder folder;
  const auto file = folder.Write("result.json", ResultJson(SampleVisit()));
  const InstrumentProfile profile = SampleProfile();
  auto document = OpenDocument(file, &profile);
  ASSERT_TRUE(document) << document.error().message;
  Session session(std::move(*document));
  EXPECT_EQ(session.Flagged().size(), 3U);
  const auto decided = session.Decide(ReviewState::kAccepted);
  ASSERT_FALSE(decided);
  testing::ExpectOneLine(decided.error().message);
}

TEST(OpenDocument, SaysWhatIsWrongInOneLine) {
  const TempFolder folder;
  for (const auto& file : {folder / "missing.tinerec", folder.Write("a.tinerec", "not a record"),
                           folder.Write("b.json", "{}"), folder.Path()}) {
    const auto document = OpenDocument(file, nullptr);
    ASSERT_FALSE(document) << file;
    testing::ExpectOneLine(document.error().message);
  }
}

TEST(FindPhotoFile, LooksInTheFolderGivenAsRecordedAndBesideTheRecord) {
  const TempFolder folder;
  std::filesystem::create_directory(folder / "photos");
  folder.Write("B1.jpg", "x");
  folder.Write("photos/B1.jpg", "x");
  const auto record = folder / "piano.tinerec";
  EXPECT_EQ(FindPhotoFile("/nowhere/B1.jpg", record, {}), folder / "B1.jpg");
  EXPECT_EQ(FindPhotoFile("/nowhere/B1.jpg", record, folder / "photos"), folder / "photos/B1.jpg");
  EXPECT_EQ(FindPhotoFile((folder / "photos/B1.jpg").string(), record, {}),
            folder / "photos/B1.jpg");
  EXPECT_TRUE(FindPhotoFile("/nowhere/B9.jpg", record, {}).empty());
}

// A record made by `tinesight measure photos/B1.jpg --record out/piano.tinerec` and opened from
// another folder.
TEST(FindPhotoFile, ARelativeNameIsLookedForFromTheFoldersAboveTheRecord) {
  const TempFolder folder;
  std::filesystem::create_directory(folder / "photos");
  std::filesystem::create_directory(folder / "out");
  folder.Write("photos/B1.jpg", "x");
  EXPECT_EQ(FindPhotoFile("photos/B1.jpg", folder / "out/piano.tinerec", {}),
            folder / "photos/B1.jpg");
  EXPECT_TRUE(FindPhotoFile("photos/B2.jpg", folder / "out/piano.tinerec", {}).empty());
}

TEST(Commands, EachHasItsOwnKeyAndIsFoundByIt) {
  std::set<std::string> chords;
  std::set<std::string> names;
  for (const CommandInfo& info : AllCommands()) {
    EXPECT_TRUE(chords.insert(ChordText(info.chord)).second) << ChordText(info.chord);
    EXPECT_TRUE(names.insert(info.name).second) << info.name;
    const CommandInfo* found = CommandOf(info.chord);
    ASSERT_NE(found, nullptr);
    EXPECT_EQ(found->command, info.command);
    EXPECT_STREQ(InfoOf(info.command).name, info.name);
  }
  EXPECT_EQ(CommandOf({'=', true, false, false})->command, Command::kLargerText);
  EXPECT_EQ(CommandOf({'+', true, true, false})->command, Command::kLargerText);
}

TEST(Commands, AreFoundByWordsInAnyOrder) {
  EXPECT_EQ(SearchCommands("").size(), AllCommands().size());
  const auto found = SearchCommands("photo next");
  ASSERT_FALSE(found.empty());
  EXPECT_EQ(found.front()->command, Command::kNextPhoto);
  EXPECT_TRUE(SearchCommands("xyzzy").empty());
  ASSERT_FALSE(SearchCommands("safety").empty());
  EXPECT_EQ(SearchCommands("safety").front()->command, Command::kCautions);
}

TEST(Execute, ReviewsThroughAllFlaggedNotes) {
  const TempFolder folder;
  Session session = OpenSession(MakeRecord(folder));
  ViewState state;
  RebuildModel(session, state);
  Execute(Command::kAccept, &session, state);
  EXPECT_EQ(session.Midi(), 42);
  Execute(Command::kReject, &session, state);
  EXPECT_EQ(session.Midi(), 43);
  Execute(Command::kNeedsPhoto, &session, state);
  EXPECT_EQ(session.ReviewedCount(), 3U);
  EXPECT_EQ(session.ReviewOf(41), ReviewState::kAccepted);
  EXPECT_EQ(session.ReviewOf(42), ReviewState::kRejected);
  EXPECT_EQ(session.ReviewOf(43), ReviewState::kNeedsPhoto);
  Execute(Command::kUndo, &session, state);
  EXPECT_EQ(session.ReviewOf(43), ReviewState::kNone);
  EXPECT_FALSE(state.message_is_failure);
}

TEST(Execute, EveryCommandIsSafeWithAndWithoutAFile) {
  const TempFolder folder;
  for (const CommandInfo& info : AllCommands()) {
    ViewState state;
    Execute(info.command, nullptr, state);
  }
  Session session = OpenSession(MakeRecord(folder));
  ViewState state;
  RebuildModel(session, state);
  for (int round = 0; round < 2; ++round) {
    for (const CommandInfo& info : AllCommands()) {
      Execute(info.command, &session, state);
      AdvanceFlight(state, 1.0);
      EXPECT_TRUE(state.view.camera_from_harp.matrix().allFinite()) << info.name;
    }
  }
}

TEST(Execute, TriesTheToneAtAnotherPlaceByKeys) {
  const TempFolder folder;
  Session session = OpenSession(MakeRecord(folder));
  ViewState state;
  RebuildModel(session, state);
  const PickupPlace measured = PlaceOf(*session.Note())->place;
  Execute(Command::kTryTowardBass, &session, state);
  Execute(Command::kTryTowardBass, &session, state);
  Execute(Command::kTryCloser, &session, state);
  ASSERT_TRUE(state.what_if);
  EXPECT_NEAR(state.what_if->then.lateral_mm, measured.lateral_mm - 0.2, 1e-9);
  EXPECT_NEAR(state.what_if->then.gap_mm, measured.gap_mm - 0.1, 1e-9);
  EXPECT_NE(state.message.find(WhatIfSummary(*state.what_if)), std::string::npos) << state.message;
  Execute(Command::kTryAtTarget, &session, state);
  EXPECT_EQ(state.what_if->then.lateral_mm, 0.0);
  Execute(Command::kTryAsMeasured, &session, state);
  EXPECT_FALSE(state.what_if->Moved());
  for (int i = 0; i < 200; ++i) Execute(Command::kTryCloser, &session, state);
  EXPECT_GT(state.what_if->then.gap_mm, 0.0) << "never into the pickup";
}

TEST(Execute, EscapeClosesWhateverIsOpen) {
  ViewState state;
  for (const Command command :
       {Command::kCommandList, Command::kHelp, Command::kCautions, Command::kOpenFile}) {
    Execute(command, nullptr, state);
    EXPECT_NE(state.dialog, Dialog::kNone);
    Execute(Command::kClose, nullptr, state);
    EXPECT_EQ(state.dialog, Dialog::kNone);
  }
}

TEST(Execute, ViewFromThePhotoIsExactlyThePhotosCamera) {
  const TempFolder folder;
  Session session = OpenSession(MakeRecord(folder));
  ViewState state;
  RebuildModel(session, state);
  Execute(Command::kViewFromPhoto, &session, state);
  EXPECT_EQ(state.magnification, 1.0);
  while (AdvanceFlight(state, 0.05)) {
  }
  EXPECT_EQ(state.at_photo, 0U);
  EXPECT_EQ(state.view.camera_from_harp.matrix(),
            session.CurrentVisit().measurement.photos[0].camera_from_harp.matrix());
}

TEST(Execute, DownTheTinePutsRootAndTipOnOnePoint) {
  const TempFolder folder;
  Session session = OpenSession(MakeRecord(folder));
  ViewState state;
  RebuildModel(session, state);
  Execute(Command::kLookDownTine, &session, state);
  while (AdvanceFlight(state, 0.05)) {
  }
  const HarpNote* note = state.model.Find(41);
  ASSERT_NE(note, nullptr);
  const Eigen::Vector2d middle = 0.5 * state.stage_px;
  EXPECT_LE((state.view.Project(note->tip_mm, state.stage_px).value() - middle).norm(), 1e-6);
}

TEST(HarpModel, MagnifiesTheOffsetAboutTheRoot) {
  const VisitMeasurement visit = SampleVisit();
  const InstrumentProfile profile = SampleProfile();
  const HarpModel once = BuildHarpModel(visit, &profile, 1.0);
  const HarpModel five = BuildHarpModel(visit, &profile, 5.0);
  const HarpNote& a = *once.Find(41);
  const HarpNote& b = *five.Find(41);
  EXPECT_LE((a.tip_mm - visit.notes[1].tip_harp_mm).norm(), 1e-9);
  EXPECT_EQ(a.root_mm, b.root_mm);
  // 0.9 mm at the face is 0.9 · 78.5 / 80 at the tip.
  EXPECT_NEAR(b.tip_mm.x() - 13.7, 5.0 * 0.9 * 78.5 / 80.0, 1e-9);
  EXPECT_FALSE(once.Find(43)->measured);
}

TEST(HarpModel, IsHitWhereATineIs) {
  const VisitMeasurement visit = SampleVisit();
  const HarpModel model = BuildHarpModel(visit, nullptr, 1.0);
  const Eigen::Vector3d middle = 0.5 * (visit.notes[0].root_harp_mm + visit.notes[0].tip_harp_mm);
  const Eigen::Vector3d eye = middle - Eigen::Vector3d(0, 100, 0);
  const auto hit = FirstHit(model, eye, Eigen::Vector3d::UnitY());
  ASSERT_TRUE(hit);
  // A rod of 20 facets is up to 1.3 % thinner than the round one.
  EXPECT_NEAR(*hit, 100.0 - 0.95, 0.02);
  EXPECT_FALSE(FirstHit(model, eye, -Eigen::Vector3d::UnitY()));
}

TEST(InputQueue, LosesNoShortPressOrClickInASlowFrame) {
  InputQueue queue;
  queue.Add(InputEvent::Move{{10.0, 20.0}});
  queue.Add(InputEvent::Button{0, true});
  queue.Add(InputEvent::Button{0, false});
  queue.Add(InputEvent::Move{{300.0, 20.0}});
  queue.Add(InputEvent::Key{'N', true, {'N', false, false, false}});
  queue.Add(InputEvent::Key{'N', false, {'N', false, false, false}});
  queue.Add(InputEvent::Key{'N', true, {'N', false, false, false}});
  queue.Add(InputEvent::Key{'N', false, {'N', false, false, false}});
  int clicks = 0;
  int presses = 0;
  bool was_down = false;
  for (int frame = 0; frame < 20; ++frame) {
    const FrameInput input = queue.NextFrame();
    if (input.buttons[0] && !was_down) {
      ++clicks;
      // The click is where it was made, not where the cursor went afterwards.
      EXPECT_EQ(input.cursor_px, Eigen::Vector2d(10.0, 20.0));
    }
    was_down = input.buttons[0];
    presses += static_cast<int>(input.chords.size());
    if (!input.more) break;
  }
  EXPECT_EQ(clicks, 1);
  EXPECT_EQ(presses, 2);
  EXPECT_TRUE(queue.Empty());
}

TEST(InputQueue, AQuickDragEndsWhereTheButtonWasLetGo) {
  InputQueue queue;
  queue.Add(InputEvent::Move{{10.0, 20.0}});
  queue.Add(InputEvent::Button{0, true});
  queue.Add(InputEvent::Move{{300.0, 20.0}});
  queue.Add(InputEvent::Button{0, false});
  Eigen::Vector2d last_held(0.0, 0.0);
  FrameInput input;
  do {
    input = queue.NextFrame();
    if (input.buttons[0]) last_held = input.cursor_px;
  } while (input.more);
  EXPECT_EQ(last_held, Eigen::Vector2d(300.0, 20.0)) << "what was dragged never saw the last place";
  EXPECT_FALSE(input.buttons[0]);
}

TEST(InputQueue, WhatIsTypedBehindTabWaitsForTheNextField) {
  InputQueue queue;
  queue.Add(InputEvent::Letter{U'a'});
  queue.Add(InputEvent::Key{kKeyTab, true, {kKeyTab, false, false, false}});
  queue.Add(InputEvent::Key{kKeyTab, false, {kKeyTab, false, false, false}});
  queue.Add(InputEvent::Letter{U'b'});
  const FrameInput first = queue.NextFrame();
  EXPECT_EQ(first.letters.size(), 1U);
  EXPECT_TRUE(first.keys[kKeyTab]);
  int waited = 0;
  FrameInput input = first;
  while (input.more) {
    input = queue.NextFrame();
    if (!input.letters.empty()) break;
    ++waited;
  }
  EXPECT_GE(waited, 2) << "the field reads two frames after Tab";
  ASSERT_EQ(input.letters.size(), 1U);
  EXPECT_EQ(input.letters[0], U'b');
}

TEST(InputQueue, LetsGoOfEverythingWhenTheWindowLosesTheKeyboard) {
  InputQueue queue;
  queue.Add(InputEvent::Key{341, true, {}});
  queue.Add(InputEvent::Button{1, true});
  while (queue.NextFrame().more) {
  }
  queue.ReleaseAll();
  FrameInput input;
  do {
    input = queue.NextFrame();
  } while (input.more);
  EXPECT_FALSE(input.keys[341]);
  EXPECT_FALSE(input.buttons[1]);
}

TEST(ViewerSettings, AreKeptAndABadFileIsNoObstacle) {
  const TempFolder folder;
  ViewerSettings settings;
  settings.last_file = "/some/piano.tinerec";
  settings.dark = false;
  settings.text_scale = 1.3;
  const auto file = folder / "state/tinesight/viewer.json";
  ASSERT_TRUE(WriteSettings(settings, file));
  const ViewerSettings read = ReadSettings(file);
  EXPECT_EQ(read.last_file, settings.last_file);
  EXPECT_FALSE(read.dark);
  EXPECT_EQ(read.text_scale, 1.3);
  EXPECT_EQ(ReadSettings(folder.Write("bad.json", "{\"width_px\": -5, \"dark\": 3")).width_px,
            ViewerSettings{}.width_px);
  EXPECT_EQ(ReadSettings(folder.Write("odd.json", R"({"text_scale": 99, "dark": 3})")).text_scale,
            3.0);
}

}  // namespace
}  // namespace tinesight
