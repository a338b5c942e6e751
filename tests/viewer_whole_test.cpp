// The viewer as a technician uses it, under a virtual screen: pixels against projected truth, and a
// review by keys and clicks against what the record then holds. Needs Xvfb and xdotool, which
// scripts/packages.txt lists.
#include <gtest/gtest.h>

#include <cstdlib>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <string>
#include <vector>

#include "alignment/tone_prediction.hpp"
#include "record/service_record.hpp"
#include "record/sha256.hpp"
#include "tests/run_command.hpp"
#include "tests/sample_truth.hpp"
#include "tests/sample_visit.hpp"
#include "viewer/photo_overlay.hpp"
#include "viewer/view_state.hpp"

namespace tinesight {
namespace {

using Eigen::Vector2d;
using Eigen::Vector3d;
using testing::TempFolder;

const char* const kProfileJson = R"({"name":"demo","note_spacing_mm":13.7,"notes":[
  {"midi":40,"tine_length_mm":80,"tine_diameter_mm":1.9,"pole_tip_diameter_mm":3.0,
   "bobbin_diameter_mm":13.6,"gap_mm":1.5,"height_mm":1.2,"tolerance_lateral_mm":0.5,
   "tolerance_height_mm":0.5,"tolerance_gap_mm":0.5},
  {"midi":43,"tine_length_mm":60,"tine_diameter_mm":1.9,"pole_tip_diameter_mm":3.0,
   "bobbin_diameter_mm":13.6,"gap_mm":1.5,"height_mm":1.2,"tolerance_lateral_mm":0.5,
   "tolerance_height_mm":0.5,"tolerance_gap_mm":0.5}]})";

// A lens bad enough, and notes far enough out, that a photo shown with its distortion would be off
// by several px.
VisitMeasurement StrongLensVisit() {
  VisitMeasurement visit = SampleVisit();
  visit.photos[0].camera.distortion = {-0.4, 0.02, 0.0006, -0.0004, 0.0};
  visit.photos[0].camera_from_harp.translation().x() += 68.0;
  return visit;
}

// The photo as taken: plain gray, with a blue disc where the lens puts a point of the harp.
void WritePhoto(const std::filesystem::path& file, const PhotoMeasurement& photo,
                const Vector3d& point_harp_mm) {
  cv::Mat picture(photo.camera.height_px, photo.camera.width_px, CV_8UC3, cv::Scalar(70, 70, 70));
  const Vector2d p = photo.camera.Project(photo.camera_from_harp * point_harp_mm);
  constexpr int kShift = 6;  // cv::circle's fixed-point fraction
  cv::circle(picture,
             {static_cast<int>(std::lround(p.x() * 64)), static_cast<int>(std::lround(p.y() * 64))},
             4 << kShift, cv::Scalar(255, 0, 0), cv::FILLED, cv::LINE_AA, kShift);
  ASSERT_TRUE(cv::imwrite(file.string(), picture));
}

std::filesystem::path MakeRecord(const TempFolder& folder, const VisitMeasurement& measurement) {
  VisitEntry entry;
  entry.name = "as found";
  entry.profile_json = kProfileJson;
  entry.profile = ReadInstrumentProfile(folder.Write("profile.json", kProfileJson)).value();
  entry.damper = DamperState::kHarpRaised;
  entry.measurement = measurement;
  for (const PhotoMeasurement& photo : measurement.photos) entry.photos.emplace_back(photo.file);
  std::filesystem::path file = folder / "piano.tinerec";
  const auto added = AddVisit(file, entry);
  EXPECT_TRUE(added) << (added ? "" : added.error().message);
  return file;
}

// A screen of its own, and a home of its own for what the window remembers. -noreset: else a
// screen starts anew once its last client leaves, such as xdotool's first look for the window, and
// now and then refuses a window that opens meanwhile.
CommandOutcome RunOnScreen(const std::string& command, const TempFolder& folder) {
  return RunShell("env XDG_STATE_HOME='" + (folder / "state").string() +
                  "' xvfb-run -a -s '-screen 0 1280x800x24 -noreset' " + command);
}

struct Box {
  double left = 1e9, right = -1e9, top = 1e9, bottom = -1e9;
  int count = 0;
  [[nodiscard]] Vector2d Center() const { return {0.5 * (left + right), 0.5 * (top + bottom)}; }
};

template <typename Test>
Box BoxOf(const cv::Mat& bgr, const cv::Rect& within, Test is_it) {
  Box box;
  for (int y = within.y; y < within.y + within.height; ++y) {
    for (int x = within.x; x < within.x + within.width; ++x) {
      if (!is_it(bgr.at<cv::Vec3b>(y, x))) continue;
      box.left = std::min(box.left, static_cast<double>(x));
      box.right = std::max(box.right, static_cast<double>(x));
      box.top = std::min(box.top, static_cast<double>(y));
      box.bottom = std::max(box.bottom, static_cast<double>(y));
      ++box.count;
    }
  }
  return box;
}

bool IsBlue(const cv::Vec3b& p) { return p[0] > 150 && p[1] < 60 && p[2] < 60; }
// The ring's yellow, F0E442.
bool IsRing(const cv::Vec3b& p) {
  return std::abs(p[0] - 0x42) < 50 && std::abs(p[1] - 0xE4) < 30 && std::abs(p[2] - 0xF0) < 30;
}

TEST(ViewerPicture, OverlayLiesOnThePhotoWithinOnePixel) {
  const TempFolder folder;
  const VisitMeasurement visit = StrongLensVisit();
  const NoteMeasurement& note = visit.notes[1];
  WritePhoto(folder / "B1.jpg", visit.photos[0], note.pickup_harp_mm);
  const auto record = MakeRecord(folder, visit);
  const auto picture_file = folder / "photo.png";
  const auto outcome = RunOnScreen("'" TINESIGHT_COMMAND "' view '" + record.string() +
                                       "' --note F2 --scene photo --size 1000x700 --screenshot '" +
                                       picture_file.string() + "'",
                                   folder);
  ASSERT_EQ(outcome.status, 0) << outcome.err;
  const cv::Mat picture = cv::imread(picture_file.string());
  ASSERT_EQ(picture.cols, 1000);
  ASSERT_EQ(picture.rows, 700);
  const Box disc = BoxOf(picture, {0, 0, 1000, 700}, IsBlue);
  ASSERT_GT(disc.count, 20) << "the photo is not in the picture";
  // The disc is 8 px of the photo wide, give or take what the threshold takes off its rim.
  const double scale = (disc.bottom - disc.top + 1.0) / 8.0;
  const auto reach = static_cast<int>(22.0 * scale);
  const cv::Rect about(static_cast<int>(disc.Center().x()) - reach,
                       static_cast<int>(disc.Center().y()) - reach, 2 * reach, 2 * reach);
  const Box ring = BoxOf(picture, about & cv::Rect(0, 0, 1000, 700), IsRing);
  ASSERT_GT(ring.count, 30) << "no ring about the pole tip";
  const double error_px = (ring.Center() - disc.Center()).norm() / scale;
  EXPECT_LE(error_px, 1.0);
  // The check can fail: shown with its distortion, the photo would be off by more.
  const Vector2d distorted =
      visit.photos[0].camera.Project(visit.photos[0].camera_from_harp * note.pickup_harp_mm);
  EXPECT_GE((distorted - ProjectUndistorted(visit.photos[0], note.pickup_harp_mm).value()).norm(),
            3.0);
}

TEST(ViewerPicture, HarpFromThePhotosCameraLiesOnThePhoto) {
  const TempFolder folder;
  VisitMeasurement visit = StrongLensVisit();
  // A note without offset has no arrow in front of its pole tip.
  visit.notes[1].lateral_mm->value = 0.0;
  const NoteMeasurement& note = visit.notes[1];
  WritePhoto(folder / "B1.jpg", visit.photos[0], note.pickup_harp_mm);
  const auto record = MakeRecord(folder, visit);
  const auto draw = [&](const std::string& options, const std::string& name) {
    const auto outcome = RunOnScreen("'" TINESIGHT_COMMAND "' view '" + record.string() +
                                         "' --note F2 --size 1200x900 " + options +
                                         " --screenshot '" + (folder / name).string() + "'",
                                     folder);
    EXPECT_EQ(outcome.status, 0) << outcome.err;
    return cv::imread((folder / name).string());
  };
  const cv::Mat harp = draw("--scene harp --from-camera", "harp.png");
  const cv::Mat photo = draw("--scene photo --whole-photo", "photo.png");
  ASSERT_FALSE(harp.empty() || photo.empty());
  // Both fit the 1200 × 900 px photo to the area: the disc must be at the same place in both, and
  // in the harp's picture the pole tip's mesh lies over it and lightens it.
  const Box disc = BoxOf(photo, {0, 0, 1200, 900}, IsBlue);
  ASSERT_GT(disc.count, 20);
  const Vector2d truth = ProjectUndistorted(visit.photos[0], note.pickup_harp_mm).value();
  EXPECT_LE((disc.Center() - truth).norm(), 1.0);
  const auto at = [](const cv::Mat& m, const Vector2d& p) {
    return m.at<cv::Vec3b>(static_cast<int>(std::lround(p.y())),
                           static_cast<int>(std::lround(p.x())));
  };
  EXPECT_GT(at(harp, truth)[1], at(photo, truth)[1] + 50) << "no pole tip over the photo's disc";
  // Away from every mesh the photo shows through, unchanged.
  const Vector2d aside = truth + Vector2d(-30.0, 60.0);
  EXPECT_LE(std::abs(at(harp, aside)[1] - at(photo, aside)[1]), 40);
}

TEST(ViewerPicture, EverySceneHasItsPicture) {
  const TempFolder folder;
  const auto record = MakeRecord(folder, SampleVisit());
  for (const std::string options :
       {"--scene harp", "--scene section", "--scene harp --light", "--scene harp --down-the-tine",
        "--whole-window", "--large-type"}) {
    const auto file = folder / "picture.png";
    const auto outcome =
        RunOnScreen("'" TINESIGHT_COMMAND "' view '" + record.string() + "' --size 640x480 " +
                        options + " --screenshot '" + file.string() + "'",
                    folder);
    ASSERT_EQ(outcome.status, 0) << outcome.err;
    const cv::Mat picture = cv::imread(file.string());
    ASSERT_EQ(picture.cols, 640) << options;
    // Something is drawn in the verdict's color of F2, to re-center, on dark or light.
    const Box vermilion = BoxOf(picture, {0, 0, 640, 480}, [](const cv::Vec3b& p) {
      return p[2] > 120 && p[2] > p[0] + 80 && p[1] > 40 && p[1] < 170;
    });
    EXPECT_GT(vermilion.count, options == "--large-type" ? 3000 : 20) << options;
    std::filesystem::remove(file);
  }
}

TEST(ViewerCommand, SaysInOneLineWhatIsWrong) {
  const TempFolder folder;
  const auto record = MakeRecord(folder, SampleVisit());
  const std::string view = "'" TINESIGHT_COMMAND "' view '" + record.string() + "' ";
  const auto no_display = RunShell("env -u DISPLAY -u WAYLAND_DISPLAY " + view);
  EXPECT_EQ(no_display.status, 1);
  EXPECT_EQ(std::count(no_display.err.begin(), no_display.err.end(), '\n'), 1) << no_display.err;
  for (const std::string arguments :
       {"--scene attic", "--screenshot a.jpg", "--size 10x10 --screenshot a.png", "--note H9"}) {
    const auto outcome = RunShell(view + arguments);
    EXPECT_EQ(outcome.status, 2) << arguments;
    EXPECT_EQ(std::count(outcome.err.begin(), outcome.err.end(), '\n'), 1) << outcome.err;
  }
  const auto missing = RunTinesight("view /nowhere/piano.tinerec");
  EXPECT_EQ(missing.status, 1);
  EXPECT_EQ(std::count(missing.err.begin(), missing.err.end(), '\n'), 1) << missing.err;
  EXPECT_EQ(RunShell(view + "--note E7 --screenshot '" + (folder / "x.png").string() + "'").status,
            1);
  EXPECT_FALSE(std::filesystem::exists(folder / "x.png"));
}

// Starts the window, does what the hands do, and ends it by its own key. The window is given as
// long as it needs: `until_rows` waits, as long as the window lives, for the record to hold what a
// step must leave there. The first picture attached says that the window is drawn and can be
// clicked.
std::string HandsScript(const std::filesystem::path& record, const std::string& steps,
                        const std::string& options = {}, int pictures_before = 0) {
  return "bash -c '\n"
         "\"" TINESIGHT_COMMAND "\" view \"" +
         record.string() + "\" --size 1280x800 " + options +
         " &\n"
         "window=$!\n"
         "until xdotool search --onlyvisible --name Tinesight > /dev/null; do\n"
         "  kill -0 $window || exit 9; sleep 0.1; done\n"
         "until_rows() { while kill -0 $window; do\n"
         "  [ \"$(sqlite3 \"" +
         record.string() +
         "\" \"select count(*) from $1\")\" = $2 ] && return\n"
         "  sleep 0.25; done; exit 8; }\n"
         "xdotool mousemove 600 300 key s\nuntil_rows attachment " +
         std::to_string(pictures_before + 1) + "\n" + steps +
         "xdotool key ctrl+q\n"
         "wait $window'";
}

TEST(ViewerWindow, ReviewByKeysClicksAndReopening) {
  const TempFolder folder;
  const VisitMeasurement visit = SampleVisit();
  WritePhoto(folder / "B1.jpg", visit.photos[0], visit.notes[1].pickup_harp_mm);
  const auto record = MakeRecord(folder, visit);
  // F2 accepted, F#2 rejected and taken back, a picture of the photo and one of the 3D view
  // attached after an orbit; the command list is used for "needs another photo".
  const auto first = RunOnScreen(
      HandsScript(
          record,
          "xdotool key a\nuntil_rows review 1\n"
          "xdotool key r\nuntil_rows review 2\n"
          "xdotool key ctrl+z\nuntil_rows \"review where withdrawn_utc is not null\" 1\n"
          "xdotool key 2\n"
          "xdotool mousemove 600 300 mousedown 1 mousemove 650 320 mousemove 700 350 mouseup 1\n"
          "xdotool key s\nuntil_rows attachment 2\n"
          "xdotool key ctrl+k\nxdotool type \"needs another\"\nxdotool key Return\n"
          "until_rows review 3\n"),
      folder);
  ASSERT_EQ(first.status, 0) << first.err;
  auto read = ReadServiceRecord(record);
  ASSERT_TRUE(read) << read.error().message;
  const std::int64_t id = read->visits[0].id;
  ASSERT_NE(read->ReviewOf(id, 41), nullptr);
  EXPECT_EQ(read->ReviewOf(id, 41)->state, ReviewState::kAccepted);
  EXPECT_EQ(read->ReviewOf(id, 42), nullptr) << "undo did not reach the record";
  ASSERT_NE(read->ReviewOf(id, 43), nullptr);
  EXPECT_EQ(read->ReviewOf(id, 43)->state, ReviewState::kNeedsPhoto);
  ASSERT_EQ(read->attachments.size(), 2U);
  for (const Attachment& attachment : read->attachments) {
    const std::string bytes = ReadAttachment(record, attachment.id).value();
    const cv::Mat picture =
        cv::imdecode(std::vector<char>(bytes.begin(), bytes.end()), cv::IMREAD_COLOR);
    EXPECT_GT(picture.cols, 400);
    EXPECT_FALSE(attachment.caption.empty());
  }
  EXPECT_TRUE(std::filesystem::exists(folder / "state/tinesight/viewer.json"));

  // Opened again: the review goes on where it was, at F#2 by a click on the list's second row.
  const auto second = RunOnScreen(HandsScript(record,
                                              "xdotool mousemove 120 147 click 1\n"
                                              "xdotool key a\nuntil_rows review 4\n",
                                              {}, 2),
                                  folder);
  ASSERT_EQ(second.status, 0) << second.err;
  read = ReadServiceRecord(record);
  ASSERT_TRUE(read);
  ASSERT_NE(read->ReviewOf(id, 42), nullptr);
  EXPECT_EQ(read->ReviewOf(id, 42)->state, ReviewState::kAccepted);
}

// The stage's upper left corner and size in a window of 1280 × 800 px with the panels as they are
// at first.
const Vector2d kStageCorner(242.0, 42.0);
const Vector2d kStageSize(686.0, 550.0);

std::string At(const Vector2d& p) {
  return std::to_string(std::lround(p.x())) + ' ' + std::to_string(std::lround(p.y()));
}

// Where the window shows things is computed from the record as the window does it.
TEST(ViewerWindow, AMisreadTipIsDraggedAndATineIsPickedIn3D) {
  const TempFolder folder;
  const VisitMeasurement visit = SampleVisit();
  WritePhoto(folder / "B1.jpg", visit.photos[0], visit.notes[1].pickup_harp_mm);
  const auto record = MakeRecord(folder, visit);
  Session session(OpenDocument(record, nullptr).value());
  ViewState state;
  state.stage_px = kStageSize;
  RebuildModel(session, state);
  FrameNoteInPhoto(session, state);
  ASSERT_EQ(session.Midi(), 41);
  const auto overlay = OverlayOf(session.CurrentVisit().measurement.photos[0], visit.notes[1],
                                 session.Profile()->Find(41));
  ASSERT_TRUE(overlay);
  const Vector2d tip = overlay->found[1];
  const Vector2d grip = kStageCorner + state.photo.ToScreen(tip);
  const Vector2d drag(21.0, 8.0);
  const HarpNote& other = *state.model.Find(40);
  const auto tine = WholeHarpView(state.model, kStageSize)
                        .Project(0.5 * (other.root_mm + other.tip_mm), kStageSize);
  ASSERT_TRUE(tine);
  // The cursor comes from far away and goes on without a pause: only the drag itself counts.
  const auto outcome = RunOnScreen(
      HandsScript(record,
                  "xdotool key e\n"
                  "xdotool mousemove " +
                      At(grip) + " mousedown 1 mousemove " + At(grip + 0.5 * drag) + " mousemove " +
                      At(grip + drag) +
                      " mouseup 1\nuntil_rows correction 1\n"
                      "xdotool key 2\nxdotool mousemove " +
                      At(kStageCorner + *tine) + " click 1\nxdotool key a\nuntil_rows review 1\n"),
      folder);
  ASSERT_EQ(outcome.status, 0) << outcome.err;
  const auto read = ReadServiceRecord(record);
  ASSERT_TRUE(read) << read.error().message;
  ASSERT_EQ(read->corrections.size(), 1U);
  EXPECT_EQ(read->corrections[0].midi, 41);
  const auto mark = ReadHandMark(read->corrections[0].payload_json);
  ASSERT_TRUE(mark);
  // The cursor is on whole px of the screen.
  const Vector2d moved = (mark->axis_px[1] - tip) * state.photo.scale;
  EXPECT_LE((moved - drag).cwiseAbs().maxCoeff(), 1.0) << moved.transpose();
  EXPECT_NE(read->ReviewOf(read->visits[0].id, 40), nullptr) << "the tine clicked in 3D";
}

// The slider's grip for the lateral place, where a picture of the window at the same size has it:
// the uppermost patch of the accent color at the right that is no thin line.
Vector2d LateralGrip(const std::filesystem::path& record, const TempFolder& folder) {
  const auto file = folder / "window.png";
  const auto outcome = RunOnScreen("'" TINESIGHT_COMMAND "' view '" + record.string() +
                                       "' --note F2 --size 1280x800 --whole-window --screenshot '" +
                                       file.string() + "'",
                                   folder);
  EXPECT_EQ(outcome.status, 0) << outcome.err;
  const cv::Mat window = cv::imread(file.string());
  cv::Mat accent;
  cv::inRange(window, cv::Scalar(0xB9 - 12, 0xD1 - 12, 0x7F - 12),
              cv::Scalar(0xB9 + 12, 0xD1 + 12, 0x7F + 12), accent);
  cv::morphologyEx(accent, accent, cv::MORPH_OPEN, cv::Mat::ones(8, 5, CV_8U));
  cv::Mat names;
  cv::Mat statistics;
  cv::Mat centers;
  const int count = cv::connectedComponentsWithStats(accent, names, statistics, centers);
  Vector2d grip(0.0, 1e9);
  for (int i = 1; i < count; ++i) {
    const Vector2d center(centers.at<double>(i, 0), centers.at<double>(i, 1));
    if (center.x() > 1000.0 && center.y() < grip.y()) grip = center;
  }
  EXPECT_LT(grip.y(), 800.0) << "no slider in the picture of the window";
  return grip;
}

TEST(ViewerWindow, ADraggedSliderChangesThePredictedToneAndIsAttachedWithTheSection) {
  const TempFolder folder;
  const VisitMeasurement visit = SampleVisit();
  const auto record = MakeRecord(folder, visit);
  const Vector2d grip = LateralGrip(record, folder);
  // Without a pause between the last move and letting go.
  const auto outcome =
      RunOnScreen(HandsScript(record,
                              "xdotool mousemove " + At(grip) + " mousedown 1 mousemove " +
                                  At(grip - Vector2d(20.0, 0.0)) + " mousemove " +
                                  At(grip - Vector2d(40.0, -3.0)) + " mouseup 1\n" +
                                  "xdotool key 3\nxdotool key s\nuntil_rows attachment 2\n",
                              "--note F2"),
                  folder);
  ASSERT_EQ(outcome.status, 0) << outcome.err;
  const auto read = ReadServiceRecord(record);
  ASSERT_TRUE(read) << read.error().message;
  const std::string caption = read->attachments.at(1).caption;
  const auto figure_after = [&](const std::string& word) {
    std::string text = caption.substr(std::min(caption.find(word), caption.size()));
    text = text.substr(std::min(word.size(), text.size()));
    const bool minus = text.starts_with("−");
    return (minus ? -1.0 : 1.0) * std::stod(text.c_str() + (minus ? 3 : 0));
  };
  ASSERT_NE(caption.find("what if at lateral "), std::string::npos) << caption;
  const double lateral_mm = figure_after("lateral ");
  EXPECT_LT(lateral_mm, visit.notes[1].lateral_mm->value - 0.5) << caption;
  // What is said is the prediction for the place that is said, to the figures' last digits.
  const InstrumentProfile profile = ReadInstrumentProfile(folder / "profile.json").value();
  const MeasuredPlace now = *PlaceOf(visit.notes[1]);
  PickupPlace then = now.place;
  then.lateral_mm = lateral_mm;
  const ToneChange change = PredictToneChange(*profile.Find(41), profile.tone, now, then);
  EXPECT_NEAR(figure_after("level "), change.Of(Dynamic::kMedium).level_db.value, 0.1) << caption;
  EXPECT_GT(std::abs(change.Of(Dynamic::kMedium).level_db.value), 0.3);
  // The tried place is in the picture, dashed in the accent color.
  const std::string bytes = ReadAttachment(record, read->attachments[1].id).value();
  const cv::Mat picture =
      cv::imdecode(std::vector<char>(bytes.begin(), bytes.end()), cv::IMREAD_COLOR);
  const Box dashes = BoxOf(picture, {0, picture.rows / 3, picture.cols, picture.rows * 2 / 3},
                           [](const cv::Vec3b& p) {
                             return std::abs(p[0] - 0xB9) < 40 && std::abs(p[1] - 0xD1) < 40 &&
                                    std::abs(p[2] - 0x7F) < 40;
                           });
  EXPECT_GT(dashes.count, 100);
}

// A photo is copied into the watched folder in two halves with a pause between them, after a letter
// that only has a photo's name: the letter is refused, the photo measured once, when it is whole.
TEST(ViewerWindow, MeasuresWhatComesIntoTheWatchedFolder) {
  const TempFolder folder;
  std::filesystem::create_directory(folder / "in");
  const auto photo = testing::kSamples / "harp" / "r2_left.jpg";
  ASSERT_TRUE(std::filesystem::exists(photo));
  std::filesystem::copy_file(testing::kSamples / "truth" / "camera.json", folder / "camera.json");
  ASSERT_TRUE(WriteRig(testing::TrueRig(0.03), folder / "rig.json"));
  const auto instrument = testing::kSamples / "instrument.json";
  VisitEntry entry;
  entry.name = "as found 2024-05-02";
  entry.profile_json = testing::Contents(instrument);
  entry.profile = ReadInstrumentProfile(instrument).value();
  entry.damper = DamperState::kHarpRaised;
  entry.measurement = SampleVisit();
  const auto record = folder / "piano.tinerec";
  ASSERT_TRUE(AddVisit(record, entry));
  const std::string in = (folder / "in").string();
  const auto outcome = RunOnScreen(
      HandsScript(record,
                  "echo a letter > \"" + in + "/letter.jpg\"\n" + "head -c 300000 \"" +
                      photo.string() + "\" > \"" + in + "/IMG_1.jpg\"\n" +
                      "sleep 1.5\n"
                      "tail -c +300001 \"" +
                      photo.string() + "\" >> \"" + in + "/IMG_1.jpg\"\n" +
                      "until_rows photo 3\n"
                      "xdotool key s\nuntil_rows attachment 2\n",
                  "--watch \"" + in + "\" --camera \"" + (folder / "camera.json").string() +
                      "\" --rig \"" + (folder / "rig.json").string() + "\""),
      folder);
  ASSERT_EQ(outcome.status, 0) << outcome.err;
  const auto read = ReadServiceRecord(record);
  ASSERT_TRUE(read) << read.error().message;
  ASSERT_EQ(read->visits.size(), 2U) << "what was found must stay as it was";
  const Visit* left = read->LatestOf(VisitKind::kAsLeft);
  ASSERT_NE(left, nullptr);
  ASSERT_EQ(left->photos.size(), 1U) << "the letter or a half photo got into the record";
  EXPECT_EQ(std::filesystem::path(left->measurement.photos[0].file).filename(), "IMG_1.jpg");
  EXPECT_EQ(left->sets[0].damper, DamperState::kHarpRaised);
  ASSERT_TRUE(left->photos[0].sha256);
  EXPECT_EQ(*left->photos[0].sha256, Sha256(testing::Contents(photo))) << "not the whole photo";
  // Most notes of the register, against the truth, within twice their stated U.
  const testing::TrueRegister truth = testing::ReadTrueRegister("r2");
  int near = 0;
  int measured = 0;
  for (const NoteMeasurement& note : left->measurement.notes) {
    const testing::TrueNote* real = truth.Find(note.midi);
    if (real == nullptr || !real->in_register || !note.lateral_mm) continue;
    ++measured;
    const double error_mm = std::abs(note.lateral_mm->value - real->lateral_mm);
    near += error_mm <= 2.0 * note.lateral_mm->expanded_u ? 1 : 0;
  }
  EXPECT_GE(measured, 9);
  EXPECT_GE(near, measured - 1);
}

}  // namespace
}  // namespace tinesight
