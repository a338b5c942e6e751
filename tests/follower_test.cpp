// Following the screwdriver without a window: which files count as photos that are completely
// there, what is said about those that are none, and the small parts about it.
#include "viewer/follower.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <chrono>
#include <cstdlib>
#include <fstream>
#include <opencv2/imgcodecs.hpp>
#include <thread>

#include "tests/made_record.hpp"
#include "tests/temp_folder.hpp"
#include "viewer/desktop_dialog.hpp"
#include "viewer/photo_store.hpp"
#include "viewer/session.hpp"
#include "viewer/what_if.hpp"

namespace tinesight {
namespace {

namespace fs = std::filesystem;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::SizeIs;
using testing::TempFolder;

void Append(const fs::path& file, const std::string& bytes) {
  std::ofstream(file, std::ios::binary | std::ios::app) << bytes;
}

TEST(FolderWatch, TellsAPhotoOnceWhenItHasStoodStill) {
  const TempFolder folder;
  Append(folder / "old.jpg", "was here before");
  auto watch = FolderWatch::Start(folder.Path()).value();
  EXPECT_THAT(*watch.Look(0.0), IsEmpty());
  Append(folder / "new.jpg", "first half");
  EXPECT_THAT(*watch.Look(1.0), IsEmpty());
  Append(folder / "new.jpg", "second half");
  EXPECT_THAT(*watch.Look(2.5), IsEmpty()) << "it grew since the last look";
  EXPECT_THAT(*watch.Look(3.0), IsEmpty()) << "half a second is no standing still";
  EXPECT_THAT(*watch.Look(3.6), ElementsAre(folder / "new.jpg"));
  EXPECT_THAT(*watch.Look(9.0), IsEmpty());
  Append(folder / "new.jpg", "it was not complete after all");
  EXPECT_THAT(*watch.Look(10.0), IsEmpty());
  EXPECT_THAT(*watch.Look(12.0), ElementsAre(folder / "new.jpg"));
}

TEST(FolderWatch, LeavesOutWhatIsNoPhotoOrIsEmpty) {
  const TempFolder folder;
  auto watch = FolderWatch::Start(folder.Path()).value();
  for (const char* name : {".hidden.jpg", "notes.txt", "IMG_1.jpg.part", "IMG_2.HEIC", "x.JPeG"}) {
    Append(folder / name, "bytes");
  }
  Append(folder / "empty.jpg", "");
  fs::create_directory(folder / "folder.jpg");
  (void)watch.Look(0.0);
  EXPECT_THAT(*watch.Look(5.0),
              ::testing::UnorderedElementsAre(folder / "IMG_2.HEIC", folder / "x.JPeG"));
}

TEST(FolderWatch, SaysInOneLineWhatIsWrongWithTheFolder) {
  const TempFolder folder;
  const auto missing = FolderWatch::Start(folder / "nowhere");
  ASSERT_FALSE(missing);
  EXPECT_THAT(missing.error().message, HasSubstr("nowhere"));
  fs::create_directory(folder / "stick");
  auto watch = FolderWatch::Start(folder / "stick").value();
  fs::remove(folder / "stick");
  EXPECT_FALSE(watch.Look(1.0)) << "the stick was pulled";
  fs::create_directory(folder / "stick");
  EXPECT_TRUE(watch.Look(2.0)) << "and put in again";
}

MeasureSetup SampleSetup() {
  MeasureSetup setup;
  setup.profile_json = SampleProfileJson();
  setup.profile = *ParseInstrumentProfile(setup.profile_json, "");
  return setup;
}

TEST(Follower, SaysInOneLineThatATextFileIsNoPhoto) {
  const TempFolder folder;
  fs::create_directory(folder / "in");
  const fs::path record = folder / "piano.tinerec";
  ASSERT_TRUE(AddVisit(record, SampleEntry("as left")));
  const MeasureTarget target{record, "as left", "", false};
  Follower follower;
  follower.SetSetup(SampleSetup());
  ASSERT_TRUE(follower.Watch(folder / "in"));
  Append(folder / "in" / "IMG_7.jpg", "this is a letter, not a photo");
  // The clock of this test: a look each half second, and between two the worker comes to an end.
  std::vector<FollowNews> told;
  double first_told_s = 0.0;
  for (double now_s = 0.0; now_s < 12.0; now_s += 0.5) {
    for (FollowNews& news : follower.Tick(now_s, target)) {
      if (told.empty()) first_told_s = now_s;
      told.push_back(std::move(news));
    }
    follower.WaitUntilIdle();
  }
  ASSERT_THAT(told, SizeIs(1)) << "once, however often it was looked at";
  EXPECT_GE(first_told_s, Follower::kPatienceSeconds) << "the rest might have been on its way";
  EXPECT_TRUE(told[0].failure);
  EXPECT_TRUE(told[0].text.starts_with("IMG_7.jpg: ")) << told[0].text;
  EXPECT_EQ(told[0].text.find('\n'), std::string::npos);
  EXPECT_FALSE(told[0].recorded);
  EXPECT_THAT(Reread(record).visits[0].sets, SizeIs(1)) << "the record took a photo that is none";
}

TEST(Follower, WhatWasFoundIsNeverWrittenOver) {
  Visit visit;
  visit.name = "as found 2024-05-02";
  visit.kind = VisitKindOf(visit.name);
  EXPECT_EQ(FollowVisitName(visit, "2024-05-03"), "as left 2024-05-03");
  visit.name = "as left, spring";
  visit.kind = VisitKindOf(visit.name);
  EXPECT_EQ(FollowVisitName(visit, "2024-05-03"), "as left, spring");
  EXPECT_TRUE(IsDay(Today()));
}

// A follow-up of the sample visit: its first measured note stands elsewhere now.
VisitEntry TurnedEntry(double lateral_mm) {
  VisitMeasurement now = SampleVisit();
  std::erase_if(now.notes, [](const NoteMeasurement& note) { return note.midi != 41; });
  now.notes[0].lateral_mm = Measured{lateral_mm, 0.2};
  now.photos.resize(1);
  return SampleEntry("as left", now);
}

TEST(FollowUp, NewestFigureOfANoteCountsAndHistoryStays) {
  const TempFolder folder;
  const fs::path record = folder / "piano.tinerec";
  ASSERT_TRUE(AddVisit(record, SampleEntry("as left")));
  const Visit before = Reread(record).visits[0];
  ASSERT_TRUE(AddFollowUp(record, TurnedEntry(0.44)));
  ASSERT_TRUE(AddFollowUp(record, TurnedEntry(0.11)));
  const ServiceRecord now = Reread(record);
  ASSERT_THAT(now.visits, SizeIs(1)) << "follow-ups are no visits of their own";
  const Visit& visit = now.visits[0];
  ASSERT_THAT(visit.sets, SizeIs(3));
  EXPECT_FALSE(visit.sets[0].follow_up);
  EXPECT_TRUE(visit.sets[2].follow_up);
  EXPECT_EQ(visit.Find(41)->lateral_mm->value, 0.11);
  EXPECT_EQ(visit.sets[0].measurement.notes.size(), before.measurement.notes.size());
  // Notes that the new photos don't show keep their figures.
  for (const NoteMeasurement& note : before.measurement.notes) {
    if (note.midi == 41) continue;
    ASSERT_NE(visit.Find(note.midi), nullptr);
    EXPECT_EQ(visit.Find(note.midi)->lateral_mm.has_value(), note.lateral_mm.has_value());
  }
  EXPECT_THAT(visit.photos, SizeIs(before.photos.size() + 2));
  EXPECT_EQ(visit.photos.back().set, 2U);
  EXPECT_FALSE(AddFollowUp(record, SampleEntry("no such visit")));
}

TEST(FollowUp, SessionKeepsSelectionAndUndoAndShowsTheNewestPhotoFirst) {
  const TempFolder folder;
  const fs::path record = folder / "piano.tinerec";
  ASSERT_TRUE(AddVisit(record, SampleEntry("as left")));
  Session session(OpenDocument(record, nullptr).value());
  session.SelectNote(41);
  ASSERT_TRUE(session.Decide(ReviewState::kAccepted));
  const std::size_t photos = session.CurrentVisit().photos.size();
  ASSERT_TRUE(AddFollowUp(record, TurnedEntry(0.11)));
  session.TakeNewer(Reread(record));
  EXPECT_EQ(session.Midi(), 41);
  EXPECT_EQ(session.Note()->lateral_mm->value, 0.11);
  EXPECT_EQ(session.PhotosOfSelection().front(), photos) << "the newest photo comes first";
  ASSERT_TRUE(session.Undo());
  EXPECT_EQ(Reread(record).ReviewOf(session.CurrentVisit().id, 41), nullptr);
}

TEST(PhotoStore, ShowsThePictureFromTheRecordWhereTheFileIsGone) {
  const TempFolder folder;
  VisitMeasurement visit = SampleVisit();
  visit.photos.resize(1);
  const Camera& camera = visit.photos[0].camera;
  const fs::path photo = folder / "B1.jpg";
  ASSERT_TRUE(cv::imwrite(photo.string(), cv::Mat(camera.height_px, camera.width_px, CV_8UC3,
                                                  cv::Scalar(10, 20, 200))));
  VisitEntry entry = SampleEntry("as found", visit);
  entry.photos = {photo};
  entry.embed_photos = true;
  const fs::path record = folder / "piano.tinerec";
  ASSERT_TRUE(AddVisit(record, entry));
  fs::remove(photo);
  PhotoJob job;
  job.camera = camera;
  job.name = photo;
  PhotoJob kept = job;
  kept.kept = PhotoJob::Kept{record, Reread(record).visits[0].photos[0].id};
  PhotoStore store;
  store.Reset({job, kept});
  store.Show(1);
  store.Prefer({0, 1});
  store.WaitForShown();
  ASSERT_EQ(store.StateOf(1), PhotoStore::State::kReady) << store.Problem(1);
  auto picture = store.TakePicture(1);
  ASSERT_NE(picture, nullptr);
  EXPECT_GT(picture->levels[0].at<cv::Vec3b>(100, 100)[2], 180) << "blue first";
  picture.reset();
  store.WaitForPreferred();
  EXPECT_EQ(store.StateOf(0), PhotoStore::State::kFailed);
  EXPECT_THAT(store.Problem(0), HasSubstr("B1.jpg"));
}

// Decoded photos of 50 megapixels would else queue up in memory.
TEST(PhotoStore, DecodesNothingWhileAWholePictureStandsInMemory) {
  const TempFolder folder;
  PhotoJob job;
  job.camera = SampleVisit().photos[0].camera;
  job.name = job.file = folder / "B1.jpg";
  const Camera& camera = job.camera;
  ASSERT_TRUE(cv::imwrite(job.file.string(), cv::Mat(camera.height_px, camera.width_px, CV_8UC3,
                                                     cv::Scalar(10, 20, 200))));
  job.cuts = {{41, 0.5 * camera.width_px, 0.5 * camera.height_px, 20.0}};
  PhotoStore store;
  constexpr std::size_t kPhotos = 40;
  store.Reset(std::vector<PhotoJob>(kPhotos, job));
  store.Show(1);
  store.Prefer({kPhotos - 1});
  store.WaitForShown();
  // Those before may have been loaded before it was told which one is shown; none is after.
  const auto done = store.Progress().first;
  ASSERT_LT(done, kPhotos - 1);
  auto held = store.TakePicture(1);
  ASSERT_NE(held, nullptr);
  std::this_thread::sleep_for(std::chrono::milliseconds(200));
  EXPECT_EQ(store.Progress().first, done);
  held.reset();
  store.WaitForPreferred();
  ASSERT_EQ(store.StateOf(kPhotos - 1), PhotoStore::State::kReady) << store.Problem(kPhotos - 1);
  const auto crops = store.Crops(kPhotos - 1);
  ASSERT_THAT(*crops, SizeIs(1));
  const cv::Mat pixels = crops->front().Pixels();
  EXPECT_EQ(pixels.cols, crops->front().side_px);
  EXPECT_GT(pixels.at<cv::Vec3b>(20, 20)[2], 180) << "blue first";
}

TEST(WhatIf, PredictsWhatTheCommandPredicts) {
  const VisitMeasurement visit = SampleVisit();
  const InstrumentProfile profile = SampleProfile();
  const NoteMeasurement& note = visit.notes[1];
  const NoteProfile& target = *profile.Find(note.midi);
  auto what_if = StartWhatIf(note, target, profile.tone);
  ASSERT_TRUE(what_if);
  EXPECT_FALSE(what_if->Moved());
  EXPECT_NEAR(what_if->change.Of(Dynamic::kMedium).level_db.value, 0.0, 1e-9);
  PickupPlace then = what_if->now.place;
  then.lateral_mm = 0.0;
  then.gap_mm *= 0.5;
  MoveWhatIf(*what_if, then, target, profile.tone);
  EXPECT_TRUE(what_if->Moved());
  const ToneChange change = PredictToneChange(target, profile.tone, *PlaceOf(note), then);
  EXPECT_EQ(what_if->change.Of(Dynamic::kHard).level_db.value,
            change.Of(Dynamic::kHard).level_db.value);
  EXPECT_GT(what_if->change.Of(Dynamic::kMedium).level_db.value, 1.0) << "nearer is louder";
  NoteMeasurement turned = note;
  turned.lateral_mm->value += 0.1;
  EXPECT_FALSE(StartsFrom(*what_if, turned)) << "a new photo starts it anew";
  turned.gap_mm.reset();
  EXPECT_FALSE(StartWhatIf(turned, target, profile.tone));
}

TEST(DesktopDialog, GivesWhatTheDesktopsProgramSaysWithoutWaiting) {
  const TempFolder folder;
  const std::string path = std::getenv("PATH");
  ::setenv("PATH", folder.Path().c_str(), 1);
  EXPECT_FALSE(DesktopDialog::Available());
  DesktopDialog dialog;
  EXPECT_FALSE(dialog.Open(DesktopDialog::Kind::kFile, "Open"));
  const auto program =
      folder.Write("zenity",
                   "#!/bin/sh\nfor word; do [ \"$word\" = --directory ] && exit 1; done\n"
                   "echo '/home/me/my piano.tinerec'\n");
  fs::permissions(program, fs::perms::owner_all);
  EXPECT_TRUE(DesktopDialog::Available());
  const auto choose = [&](DesktopDialog::Kind kind) {
    EXPECT_TRUE(dialog.Open(kind, "Open"));
    std::optional<fs::path> chosen;
    while (dialog.IsOpen()) {
      if (auto polled = dialog.Poll()) chosen = polled;
      std::this_thread::sleep_for(std::chrono::milliseconds(5));
    }
    return chosen;
  };
  EXPECT_EQ(choose(DesktopDialog::Kind::kFile), "/home/me/my piano.tinerec");
  EXPECT_EQ(choose(DesktopDialog::Kind::kFolder), std::nullopt) << "closed without a choice";
  ::setenv("PATH", path.c_str(), 1);
}

}  // namespace
}  // namespace tinesight
