// What a service record keeps: everything that goes in comes out again, and nothing is lost.
#include "record/service_record.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "calibration/file_io.hpp"
#include "record/database.hpp"
#include "tests/made_record.hpp"
#include "tests/run_command.hpp"
#include "tests/temp_folder.hpp"

namespace tinesight {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::SizeIs;
using tinesight::testing::TempFolder;

// A visit in which every field holds a value of its own, so that none can stand for another.
VisitMeasurement FullVisit() {
  VisitMeasurement visit = SampleVisit();
  PhotoMeasurement& photo = visit.photos[0];
  photo.exif = {"Maker", "Phone 1", "wide", "2024:05:02 10:11:12", 4.25, 26.0, 1.5, 6};
  photo.camera.exif = CameraExif{"Maker", "Phone 1", "wide", 4.25};
  photo.camera.exif_orientation = 3;
  photo.camera.standard_uncertainty = {0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 1.0 / 3.0};
  photo.camera.fx_px = 3000.0 / 7.0;
  photo.warnings = {"the mount bar is blurred", "light from the left"};
  NoteMeasurement& note = visit.notes[1];
  note.tone_bar_yaw_deg = Measured{0.1 / 3.0, 0.2 / 3.0};
  note.covariance = NoteCovariance::Random();
  note.suspicions = {{SuspicionKind::kToneBarLow, "tone bar low, 0.8 mm: check the grommet"},
                     {SuspicionKind::kPickupOutOfLine, "pickup out of line"}};
  note.tine_diameter_mm = 1.87;
  note.pole_tip_diameter_mm = 3.1;
  return visit;
}

void ExpectSame(const std::optional<Measured>& a, const std::optional<Measured>& b) {
  ASSERT_EQ(a.has_value(), b.has_value());
  if (!a) return;
  EXPECT_EQ(a->value, b->value);
  EXPECT_EQ(a->expanded_u, b->expanded_u);
}

void ExpectSameNote(const NoteMeasurement& a, const NoteMeasurement& b) {
  EXPECT_EQ(a.midi, b.midi);
  EXPECT_EQ(a.name, b.name);
  EXPECT_EQ(a.photos, b.photos);
  for (const auto member : {&NoteMeasurement::lateral_mm, &NoteMeasurement::height_mm,
                            &NoteMeasurement::gap_mm, &NoteMeasurement::yaw_deg,
                            &NoteMeasurement::pitch_deg, &NoteMeasurement::tone_bar_yaw_deg}) {
    ExpectSame(a.*member, b.*member);
  }
  EXPECT_EQ(a.covariance.has_value(), b.covariance.has_value());
  if (a.covariance && b.covariance) {
    EXPECT_EQ(*a.covariance, *b.covariance);
  }
  EXPECT_EQ(a.correction_deg, b.correction_deg);
  EXPECT_EQ(a.lateral_verdict, b.lateral_verdict);
  EXPECT_EQ(a.height_verdict, b.height_verdict);
  EXPECT_EQ(a.gap_verdict, b.gap_verdict);
  EXPECT_EQ(a.reason, b.reason);
  EXPECT_EQ(a.advice, b.advice);
  EXPECT_EQ(a.root_harp_mm, b.root_harp_mm);
  EXPECT_EQ(a.tip_harp_mm, b.tip_harp_mm);
  EXPECT_EQ(a.pickup_harp_mm, b.pickup_harp_mm);
  EXPECT_EQ(a.tine_diameter_mm, b.tine_diameter_mm);
  EXPECT_EQ(a.pole_tip_diameter_mm, b.pole_tip_diameter_mm);
  ASSERT_EQ(a.suspicions.size(), b.suspicions.size());
  for (std::size_t i = 0; i < a.suspicions.size(); ++i) {
    EXPECT_EQ(a.suspicions[i].kind, b.suspicions[i].kind);
    EXPECT_EQ(a.suspicions[i].text, b.suspicions[i].text);
  }
}

void ExpectSamePhoto(const PhotoMeasurement& a, const PhotoMeasurement& b) {
  EXPECT_EQ(a.file, b.file);
  EXPECT_EQ(a.tags, b.tags);
  EXPECT_EQ(a.rms_px, b.rms_px);
  EXPECT_EQ(a.damper, b.damper);
  EXPECT_EQ(a.notes, b.notes);
  EXPECT_EQ(a.warnings, b.warnings);
  EXPECT_EQ(a.used, b.used);
  EXPECT_EQ(a.exif.make, b.exif.make);
  EXPECT_EQ(a.exif.model, b.exif.model);
  EXPECT_EQ(a.exif.lens, b.exif.lens);
  EXPECT_EQ(a.exif.date_time, b.exif.date_time);
  EXPECT_EQ(a.exif.focal_length_mm, b.exif.focal_length_mm);
  EXPECT_EQ(a.exif.focal_length_35mm, b.exif.focal_length_35mm);
  EXPECT_EQ(a.exif.digital_zoom, b.exif.digital_zoom);
  EXPECT_EQ(a.exif.orientation, b.exif.orientation);
  EXPECT_EQ(a.camera.width_px, b.camera.width_px);
  EXPECT_EQ(a.camera.height_px, b.camera.height_px);
  EXPECT_EQ(a.camera.fx_px, b.camera.fx_px);
  EXPECT_EQ(a.camera.cy_px, b.camera.cy_px);
  EXPECT_EQ(a.camera.distortion, b.camera.distortion);
  EXPECT_EQ(a.camera.exif_orientation, b.camera.exif_orientation);
  EXPECT_EQ(a.camera.standard_uncertainty, b.camera.standard_uncertainty);
  EXPECT_EQ(a.camera.exif.has_value(), b.camera.exif.has_value());
  if (a.camera.exif && b.camera.exif) {
    EXPECT_EQ(a.camera.exif->lens, b.camera.exif->lens);
  }
  EXPECT_EQ(a.camera_from_harp.matrix(), b.camera_from_harp.matrix());
}

TEST(ServiceRecord, GivesBackAVisitBitByBit) {
  const TempFolder folder;
  const auto file = folder / "piano.tinerec";
  VisitEntry entry = SampleEntry("As found, spring", FullVisit());
  folder.Write("B1.jpg", "abc");
  entry.photos = {folder / "B1.jpg", folder / "missing.jpg"};
  const auto id = AddVisit(file, entry);
  ASSERT_TRUE(id) << id.error().message;
  const ServiceRecord record = Reread(file);
  ASSERT_THAT(record.visits, SizeIs(1));
  const Visit& visit = record.visits[0];
  EXPECT_EQ(visit.id, *id);
  EXPECT_EQ(visit.name, "As found, spring");
  EXPECT_EQ(visit.kind, VisitKind::kAsFound);
  EXPECT_EQ(visit.date, "2024-05-02");
  EXPECT_EQ(visit.technician, "AB");
  EXPECT_EQ(visit.instrument, "demo");
  EXPECT_EQ(visit.profile_json, entry.profile_json);
  EXPECT_EQ(visit.profile.notes.size(), 11U);
  EXPECT_EQ(record.instrument.compass, "E2 to D3, 11 notes");
  ASSERT_THAT(visit.sets, SizeIs(1));
  EXPECT_EQ(visit.sets[0].damper, DamperState::kHarpRaised);
  ASSERT_THAT(visit.measurement.notes, SizeIs(4));
  for (std::size_t i = 0; i < 4; ++i) {
    ExpectSameNote(visit.measurement.notes[i], entry.measurement.notes[i]);
  }
  ASSERT_THAT(visit.measurement.photos, SizeIs(2));
  for (std::size_t i = 0; i < 2; ++i) {
    ExpectSamePhoto(visit.measurement.photos[i], entry.measurement.photos[i]);
  }
  // FIPS 180-2, appendix B.1: SHA-256 of "abc".
  ASSERT_TRUE(visit.photos[0].sha256);
  EXPECT_EQ(HexDigits(*visit.photos[0].sha256),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
  EXPECT_FALSE(visit.photos[1].sha256);
  EXPECT_EQ(visit.photos[0].embedded_bytes, 0U);
}

TEST(ServiceRecord, OpensWithTheStockClient) {
  if (RunShell("command -v sqlite3").status != 0) GTEST_SKIP() << "no sqlite3 installed";
  const TempFolder folder;
  ASSERT_TRUE(AddVisit(folder / "piano.tinerec", SampleEntry("as found", FullVisit())));
  ASSERT_TRUE(AddVisit(folder / "piano.tinerec", SampleEntry("as left", FullVisit())));
  const auto ask = [&](const std::string& sql) {
    return RunShell("sqlite3 piano.tinerec '" + sql + "'", folder.Path()).out;
  };
  EXPECT_EQ(ask("PRAGMA integrity_check"), "ok\n");
  EXPECT_EQ(ask("PRAGMA foreign_key_check"), "");
  EXPECT_EQ(ask("PRAGMA journal_mode"), "delete\n");
  EXPECT_EQ(ask("PRAGMA application_id"), std::to_string(0x54696E65) + "\n");
  EXPECT_EQ(ask("PRAGMA user_version"), "3\n");
  // A user's question, as record/README.md shows it.
  EXPECT_EQ(ask("SELECT visit.name, value, expanded_u, verdict FROM measurement"
                " JOIN note ON note.id = note_id JOIN photo_set ON photo_set.id = set_id"
                " JOIN visit ON visit.id = visit_id"
                " WHERE midi = 41 AND quantity = \"lateral_mm\" ORDER BY visit.id"),
            "as found|0.9|0.05|re-center\nas left|0.9|0.05|re-center\n");
  EXPECT_EQ(ask("SELECT count(*) FROM pragma_table_list WHERE schema = \"main\" AND strict = 0"
                " AND name NOT LIKE \"sqlite_%\""),
            "0\n");
}

TEST(ServiceRecord, KeepsPicturesOnlyWhereAsked) {
  const TempFolder folder;
  const auto file = folder / "piano.tinerec";
  std::string picture(300000, '\0');
  for (std::size_t i = 0; i < picture.size(); ++i) picture[i] = static_cast<char>(i * 7919 >> 3);
  folder.Write("B1.jpg", picture);
  VisitEntry entry = SampleEntry("as found");
  entry.photos = {folder / "B1.jpg", folder / "missing.jpg"};
  entry.embed_photos = true;
  ASSERT_TRUE(AddVisit(file, entry));
  entry.name = "as left";
  entry.embed_photos = false;
  ASSERT_TRUE(AddVisit(file, entry));
  const ServiceRecord record = Reread(file);
  const PhotoRecord& kept = record.visits[0].photos[0];
  EXPECT_EQ(kept.embedded_bytes, picture.size());
  EXPECT_EQ(*ReadEmbeddedPhoto(file, kept.id), picture);
  EXPECT_EQ(record.visits[1].photos[0].embedded_bytes, 0U);
  const auto missing = ReadEmbeddedPhoto(file, record.visits[1].photos[0].id);
  ASSERT_FALSE(missing);
  EXPECT_THAT(missing.error().message, HasSubstr("--embed"));

  ASSERT_TRUE(CopyServiceRecord(file, folder / "lean.tinerec", {.embedded_photos = false}));
  EXPECT_EQ(Reread(folder / "lean.tinerec").visits[0].photos[0].embedded_bytes, 0U);
  EXPECT_LT(std::filesystem::file_size(folder / "lean.tinerec"), picture.size());
}

TEST(ServiceRecord, OrdersVisitsByTheirDay) {
  const TempFolder folder;
  const auto file = folder / "piano.tinerec";
  for (const auto& [name, date] : {std::pair("as left", "2024-05-03"),
                                   {"as found", "2024-05-02"},
                                   {"a year later", "2025-05-02"}}) {
    VisitEntry entry = SampleEntry(name);
    entry.date = date;
    ASSERT_TRUE(AddVisit(file, entry));
  }
  const ServiceRecord record = Reread(file);
  EXPECT_EQ(record.visits[0].name, "as found");
  EXPECT_EQ(record.visits[1].kind, VisitKind::kAsLeft);
  EXPECT_EQ(record.visits[2].kind, VisitKind::kOther);
  EXPECT_EQ(record.LatestOf(VisitKind::kAsFound), &record.visits[0]);
  EXPECT_EQ(record.FindVisit("no such visit"), nullptr);
  VisitEntry wrong = SampleEntry("wrong");
  wrong.date = "2023-02-29";
  EXPECT_FALSE(AddVisit(file, wrong));
}

TEST(ServiceRecord, DayKnowsTheCalendar) {
  for (const char* day : {"2024-02-29", "2000-02-29", "1999-12-31"}) EXPECT_TRUE(IsDay(day)) << day;
  for (const char* day : {"2023-02-29", "1900-02-29", "2024-13-01", "2024-1-01", "2024-04-31", "",
                          "yesterday!", "2024/05/02", "2024-05-02 "}) {
    EXPECT_FALSE(IsDay(day)) << day;
  }
}

// Damper states.

VisitMeasurement AtHeight(double height_mm, double u_mm, DamperState damper) {
  VisitMeasurement visit = SampleVisit();
  for (NoteMeasurement& note : visit.notes) {
    if (note.height_mm) note.height_mm = Measured{height_mm, u_mm};
    if (damper == DamperState::kResting) note.height_verdict = Verdict::kUncertain;
  }
  return visit;
}

TEST(DamperStates, OfOneVisitAreJudgedWithoutTheDamperAndGiveTheLift) {
  const TempFolder folder;
  const auto file = folder / "piano.tinerec";
  const auto resting =
      SampleEntry("as found", AtHeight(1.60, 0.08, DamperState::kResting), DamperState::kResting);
  const auto id = AddVisit(file, resting);
  ASSERT_TRUE(id);
  {
    const ServiceRecord record = Reread(file);
    const Visit& visit = record.visits[0];
    EXPECT_EQ(visit.Find(40)->height_verdict, Verdict::kUncertain);
    EXPECT_FALSE(visit.Find(40)->damper_lift_mm);
    EXPECT_FALSE(visit.HeightIsFree(40));
  }
  const auto held =
      SampleEntry("as found", AtHeight(1.21, 0.06, DamperState::kKeyHeld), DamperState::kKeyHeld);
  const auto same_id = AddVisit(file, held);
  ASSERT_TRUE(same_id) << same_id.error().message;
  EXPECT_EQ(*same_id, *id);
  const ServiceRecord record = Reread(file);
  ASSERT_THAT(record.visits, SizeIs(1));
  const Visit& visit = record.visits[0];
  ASSERT_THAT(visit.sets, SizeIs(2));
  const NoteMeasurement& note = *visit.Find(40);
  EXPECT_EQ(note.height_mm->value, 1.21);
  EXPECT_EQ(note.height_verdict, Verdict::kInTolerance);
  EXPECT_TRUE(visit.HeightIsFree(40));
  ASSERT_TRUE(note.damper_lift_mm);
  EXPECT_NEAR(note.damper_lift_mm->value, 0.39, 1e-12);
  EXPECT_NEAR(note.damper_lift_mm->expanded_u, 0.10, 1e-12);  // √(0.08² + 0.06²)
  EXPECT_FALSE(visit.Find(43)->damper_lift_mm);               // not measured
  // Each photo is drawn with the figures of its own set.
  ASSERT_THAT(visit.photos, SizeIs(4));
  EXPECT_EQ(visit.MeasurementOfPhoto(0).notes[0].height_mm->value, 1.60);
  EXPECT_EQ(visit.MeasurementOfPhoto(2).notes[0].height_mm->value, 1.21);
}

TEST(DamperStates, AVisitTakesEachStateOnceAndOneProfile) {
  const TempFolder folder;
  const auto file = folder / "piano.tinerec";
  ASSERT_TRUE(AddVisit(file, SampleEntry("as found")));
  const std::string before = *ReadFileBytes(file);
  const auto again = AddVisit(file, SampleEntry("as found"));
  ASSERT_FALSE(again);
  EXPECT_THAT(again.error().message, HasSubstr("already has a visit named \"as found\" with photos "
                                               "in the damper state harp-raised"));
  EXPECT_FALSE(CheckVisitRecord(file, "as found", DamperState::kHarpRaised));
  EXPECT_TRUE(CheckVisitRecord(file, "as found", DamperState::kResting));
  EXPECT_TRUE(CheckVisitRecord(file, "as left", DamperState::kHarpRaised));
  VisitEntry other = SampleEntry("as found", SampleVisit(), DamperState::kResting);
  other.profile_json += "\n";
  const auto refused = AddVisit(file, other);
  ASSERT_FALSE(refused);
  EXPECT_THAT(refused.error().message, HasSubstr("another instrument profile"));
  EXPECT_EQ(*ReadFileBytes(file), before);
  EXPECT_EQ(folder.FileCount(), 1U);  // no journal, no temporary file
}

TEST(DamperStates, AmongFreeOnesTheSurerHeightCounts) {
  const VisitSet raised{1, DamperState::kHarpRaised, false, "",
                        AtHeight(1.2, 0.2, DamperState::kKeyHeld)};
  const VisitSet held{2, DamperState::kKeyHeld, false, "",
                      AtHeight(1.3, 0.1, DamperState::kKeyHeld)};
  const VisitSet unknown{3, DamperState::kUnknown, false, "",
                         AtHeight(1.4, 0.01, DamperState::kKeyHeld)};
  const VisitMeasurement merged = MergeSets({raised, unknown, held});
  EXPECT_EQ(merged.notes[0].height_mm->value, 1.3);
  EXPECT_FALSE(merged.notes[0].damper_lift_mm);
  // A note that one set missed comes from the other.
  VisitSet partly = held;
  partly.measurement.notes[0] = NoteMeasurement{};
  partly.measurement.notes[0].midi = 40;
  EXPECT_EQ(MergeSets({partly, raised}).notes[0].height_mm->value, 1.2);
}

// Entries.

TEST(Entries, ComeBackAndCanBeWithdrawnAndRestored) {
  const TempFolder folder;
  const auto file = folder / "piano.tinerec";
  ASSERT_TRUE(CreateServiceRecord(file, {"stage model", "E1 to E7", "12-34", "a school"}));
  EXPECT_FALSE(CreateServiceRecord(file));
  const auto visit_id = AddVisit(file, SampleEntry("as found"));
  ASSERT_TRUE(visit_id);
  const EntryStamp stamp{"CD", "2024-05-03", ""};
  const auto finding = AddFinding(file, {0, 30, FindingPart::kGrommet, "hardened", false,
                                         ScrewPlace::kRear, WorkStage::kAfter, "crumbles", stamp});
  const auto work = AddWorkDone(file, {0, std::nullopt, "new grommets throughout", stamp});
  const auto tick = TickWork(file, {0, *visit_id, 41, WorkTask::kTurnEither, true, stamp});
  const auto review = SetReview(file, {0, *visit_id, 41, ReviewState::kRejected, "glare", stamp});
  const std::int64_t photo_id = Reread(file).visits[0].photos[0].id;
  const auto correction = AddCorrection(file, {0, photo_id, 41, R"({"tip_px":[1.5,2]})", stamp});
  const std::string picture("\xFF\xD8\0picture", 10);
  Attachment attachment;
  attachment.visit_id = *visit_id;
  attachment.midi = 41;
  attachment.name = "block.jpg";
  attachment.media_type = "image/jpeg";
  attachment.caption = "crack";
  const auto attached = AddAttachment(file, attachment, picture);
  ASSERT_TRUE(finding && work && tick && review && correction && attached);

  const ServiceRecord record = Reread(file);
  EXPECT_EQ(record.instrument.type, "stage model");
  EXPECT_EQ(record.instrument.compass, "E1 to E7");  // said by hand, not replaced by the profile's
  EXPECT_EQ(record.instrument.serial, "12-34");
  EXPECT_EQ(record.instrument.owner, "a school");
  ASSERT_THAT(record.findings, SizeIs(1));
  const Finding& found = record.findings[0];
  EXPECT_EQ(found.id, *finding);
  EXPECT_EQ(found.midi, 30);
  EXPECT_EQ(found.stage, WorkStage::kAfter);
  EXPECT_EQ(FindingText(found), "rear grommet: hardened, crumbles");
  EXPECT_EQ(found.stamp.technician, "CD");
  EXPECT_EQ(found.stamp.date, "2024-05-03");
  EXPECT_EQ(found.stamp.recorded_utc.size(), std::string("2024-05-03T10:11:12Z").size());
  ASSERT_THAT(record.work_done, SizeIs(1));
  EXPECT_FALSE(record.work_done[0].midi);
  ASSERT_NE(record.TickOf(*visit_id, 41, WorkTask::kTurnEither), nullptr);
  EXPECT_EQ(record.TickOf(*visit_id, 41, WorkTask::kGap), nullptr);
  ASSERT_NE(record.ReviewOf(*visit_id, 41), nullptr);
  EXPECT_EQ(record.ReviewOf(*visit_id, 41)->text, "glare");
  ASSERT_THAT(record.corrections, SizeIs(1));
  EXPECT_EQ(record.corrections[0].payload_json, R"({"tip_px":[1.5,2]})");
  ASSERT_THAT(record.attachments, SizeIs(1));
  EXPECT_EQ(record.attachments[0].bytes, picture.size());
  EXPECT_EQ(record.attachments[0].sha256, Sha256(picture));
  EXPECT_EQ(*ReadAttachment(file, *attached), picture);

  const std::pair<EntryKind, std::int64_t> entries[] = {{EntryKind::kFinding, *finding},
                                                        {EntryKind::kWorkDone, *work},
                                                        {EntryKind::kTick, *tick},
                                                        {EntryKind::kReview, *review},
                                                        {EntryKind::kCorrection, *correction},
                                                        {EntryKind::kAttachment, *attached}};
  for (const auto& [kind, id] : entries) ASSERT_TRUE(WithdrawEntry(file, kind, id));
  const ServiceRecord empty = Reread(file);
  EXPECT_THAT(empty.findings, IsEmpty());
  EXPECT_THAT(empty.work_done, IsEmpty());
  EXPECT_THAT(empty.ticks, IsEmpty());
  EXPECT_THAT(empty.reviews, IsEmpty());
  EXPECT_THAT(empty.corrections, IsEmpty());
  EXPECT_THAT(empty.attachments, IsEmpty());
  for (const auto& [kind, id] : entries) ASSERT_TRUE(RestoreEntry(file, kind, id));
  const ServiceRecord restored = Reread(file);
  EXPECT_THAT(restored.findings, SizeIs(1));
  EXPECT_THAT(restored.attachments, SizeIs(1));
  EXPECT_FALSE(WithdrawEntry(file, EntryKind::kFinding, 99));
}

TEST(Entries, TheLatestReviewCountsAndWithdrawingItBringsBackTheOneBefore) {
  const TempFolder folder;
  const auto file = folder / "piano.tinerec";
  const auto visit = AddVisit(file, SampleEntry("as found"));
  ASSERT_TRUE(SetReview(file, {0, *visit, 41, ReviewState::kAccepted, "", {}}));
  const auto second = SetReview(file, {0, *visit, 41, ReviewState::kNeedsPhoto, "", {}});
  ASSERT_TRUE(second);
  EXPECT_EQ(Reread(file).ReviewOf(*visit, 41)->state, ReviewState::kNeedsPhoto);
  ASSERT_TRUE(WithdrawEntry(file, EntryKind::kReview, *second));
  EXPECT_EQ(Reread(file).ReviewOf(*visit, 41)->state, ReviewState::kAccepted);
  ASSERT_TRUE(SetReview(file, {0, *visit, 41, ReviewState::kNone, "", {}}));
  EXPECT_EQ(Reread(file).ReviewOf(*visit, 41), nullptr);
}

TEST(Entries, ThatMakeNoSenseAreRefusedAndNothingIsWritten) {
  const TempFolder folder;
  const auto file = folder / "piano.tinerec";
  ASSERT_TRUE(AddVisit(file, SampleEntry("as found")));
  const std::string before = *ReadFileBytes(file);
  Finding finding;
  finding.midi = 30;
  finding.part = FindingPart::kGrommet;
  finding.state = "soft";
  const auto soft = AddFinding(file, finding);
  ASSERT_FALSE(soft);
  EXPECT_THAT(soft.error().message, HasSubstr("good, hardened, flattened, cracked or replaced"));
  finding.state = "good";
  finding.midi = 128;
  EXPECT_FALSE(AddFinding(file, finding));
  finding.midi = 30;
  finding.doubled = true;
  EXPECT_FALSE(AddFinding(file, finding));
  finding.doubled = false;
  finding.stamp.date = "today";
  EXPECT_FALSE(AddFinding(file, finding));
  EXPECT_FALSE(AddFinding(file, Finding{}));
  EXPECT_FALSE(AddWorkDone(file, {0, 30, "", {}}));
  EXPECT_FALSE(TickWork(file, {0, 99, 41, WorkTask::kGap, true, {}}));
  EXPECT_FALSE(SetReview(file, {0, 99, 41, ReviewState::kAccepted, "", {}}));
  EXPECT_FALSE(AddCorrection(file, {0, 1, 41, "{not json", {}}));
  EXPECT_FALSE(AddCorrection(file, {0, 99, 41, "{}", {}}));
  // Of several at once, one bad entry stops all.
  finding.stamp.date = "";
  EXPECT_FALSE(AddBenchNotes(file, {{finding}, {{0, 30, "", {}}}, {}, {}}));
  EXPECT_EQ(*ReadFileBytes(file), before);
}

// The spring map.

Finding Spring(int midi, const std::string& grade, WorkStage stage,
               ScrewPlace place = ScrewPlace::kEither, bool doubled = false) {
  return {0, midi, FindingPart::kSpring, grade, doubled, place, stage, "", {}};
}

TEST(SpringMap, WarnsOfEverySpringThatIsNotWhereItWas) {
  ServiceRecord record;
  record.findings = {
      Spring(30, "heavy", WorkStage::kBefore, ScrewPlace::kEither, true),
      Spring(31, "Heavy", WorkStage::kBefore),
      Spring(32, "light", WorkStage::kBefore, ScrewPlace::kForward),
      Spring(32, "heavy", WorkStage::kBefore, ScrewPlace::kRear),
      Spring(33, "light", WorkStage::kBefore),
  };
  EXPECT_THAT(SpringWarnings(record), IsEmpty()) << "nothing is put together again yet";
  record.findings.insert(record.findings.end(),
                         {Spring(30, "heavy", WorkStage::kAfter),
                          Spring(31, "heavy", WorkStage::kAfter),  // the same, in other letters
                          Spring(32, "light", WorkStage::kAfter),  // both screws
                          Spring(34, "light", WorkStage::kAfter)});
  EXPECT_THAT(
      SpringWarnings(record),
      ElementsAre("F#1: the spring was \"heavy, doubled\", now \"heavy\"; put it back where "
                  "it was",
                  "G#1, rear screw: the spring was \"heavy\", now \"light\"; put it back "
                  "where it was",
                  "A1: the spring was \"light\" before; look whether it is back",
                  "A#1: a spring \"light\" is there now, none was noted before"));
  // Put back and noted again, the latest finding counts.
  record.findings.push_back(Spring(32, "heavy", WorkStage::kAfter, ScrewPlace::kRear));
  EXPECT_THAT(SpringWarnings(record), SizeIs(3));
  const auto map = SpringMap(record);
  ASSERT_THAT(map, SizeIs(6));
  EXPECT_EQ(map[2].place, ScrewPlace::kForward);
  EXPECT_EQ(*map[3].after, "heavy");
}

}  // namespace
}  // namespace tinesight
