// The whole job on the sample photos against their truth: calibrate, then measure every photo
// alone, both stations of every register, and all photos of the visit together. Prints the table
// of what was reached; every figure of it is held by kRows.
#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <atomic>
#include <cmath>
#include <cstdio>
#include <map>
#include <optional>
#include <string>
#include <thread>
#include <vector>

#include "alignment/measure_visit.hpp"
#include "alignment/note_name.hpp"
#include "tests/planted_faults.hpp"
#include "tests/sample_calibration.hpp"
#include "tests/sample_truth.hpp"

namespace tinesight {
namespace {

using testing::Largest;
using testing::Rms;
using testing::TrueNote;
using testing::TrueRegister;

constexpr double kNone = -1.0;  // nothing is required

/// What is measured from.
enum Kind { kOnePhoto, kTwoStations, kWholeVisit };

/// One figure of the table, by Kind. `required` is what the product must reach ("required" in the
/// README's table; the whole visit is held to that of two stations). Where it is not reached yet,
/// `now` is the regression limit just beyond what is reached. It is moved toward `required`, and
/// dropped there: the test says when. Moving one back to let another forward is a trade that the
/// commit names.
struct Row {
  const char* quantity;
  const char* format;
  bool at_least;  // false: at most
  double required[3];
  std::optional<double> now[3];  // absent: the required figure is reached
};

enum RowId {
  kCoverage,
  kLateralRms,
  kLateralLargest,
  kHeightRms,
  kGapRms,
  kGapUncertain,
  kYawRms,
  kWithinLeast,
  kWithinMost,
  kLateralOverU,
  kLateralWithin,
  kContradicted,
  kDecided,
  kOthersContradicted,
  kRowCount
};

// What limits the rows that are missed is told in the README below its table of these figures; the
// test prints the worst notes. The limits leave about a tenth, as another processor's rounding can
// tip a note's search; the largest errors more, as a note at the edge of being readable in one of
// its photos may be measured from the other alone, with the uncertainty of that.
const std::array<Row, kRowCount> kRows = {{
    {"notes with a figure, %", "%.1f", true, {95.0, 99.0, 99.0}, {{}, {}, {}}},
    {"lateral, RMS mm", "%.3f", false, {0.10, 0.05, 0.05}, {0.107, {}, {}}},
    {"lateral, largest mm", "%.3f", false, {0.30, 0.15, 0.15}, {0.54, {}, {}}},
    {"height, RMS mm", "%.3f", false, {0.12, 0.05, 0.05}, {{}, 0.060, 0.055}},
    // Reached, but by little merit: the end of the tine, seen at a slant, is read coarsely, and
    // much of what remains is the instrument's scatter about its profile, as the line "gap of the
    // profile alone" below it shows.
    {"gap, RMS mm", "%.3f", false, {kNone, 0.25, 0.25}, {{}, {}, {}}},
    {"gap said to be uncertain, %", "%.1f", true, {100.0, kNone, kNone}, {{}, {}, {}}},
    {"yaw of tines over 60 mm, RMS deg", "%.3f", false, {0.08, 0.05, 0.05}, {0.132, 0.075, {}}},
    {"errors within U, %", "%.1f", true, {90.0, 90.0, 90.0}, {{}, {}, {}}},
    // Missed by two errors or three: another machine's rounding may turn as many.
    {"errors within U, %, no more than", "%.1f", false, {99.0, 99.0, 99.0}, {99.5, 99.5, 99.5}},
    // 1 where u is right, less where U is never wrong because it says nothing. In the visit errors
    // shrank more than u, which holds what light does to all rings alike.
    {"lateral error over u, RMS", "%.2f", true, {kNone, kNone, kNone}, {0.67, 0.66, 0.62}},
    // The same for the figure that matters most: of all errors within U, the gap, which is only its
    // prior, makes up for the others.
    {"lateral errors within U, %", "%.1f", true, {90.0, 90.0, 90.0}, {{}, {}, {}}},
    // That none is contradicted is worth as much as there are verdicts at all: the row below.
    {"lateral verdicts contradicted", "%.0f", false, {0.0, 0.0, 0.0}, {{}, {}, {}}},
    {"lateral verdicts given, %", "%.1f", true, {kNone, kNone, kNone}, {58.0, 73.0, 77.0}},
    {"height, gap verdicts contradicted", "%.0f", false, {0.0, 0.0, 0.0}, {{}, {}, {}}},
}};

// What the photos make one suspect, of the planted faults in all registers (one lies in two
// registers and counts twice): so many are named at least, with so many false alarms at most.
// Several stand at their thresholds: builds alike in their figures named 12 to 16 of them in the
// whole visit, this one 12. False alarms are off the same way, by a quarter to 80 % of what is
// said; some builds before had one each from two stations and in the whole visit.
constexpr std::array<int, 3> kFewestFaultsNamed = {9, 11, 12};
constexpr std::array<int, 3> kMostFalseAlarms = {2, 2, 2};

constexpr double kLongTine_mm = 60.0;
constexpr std::array<const char*, 5> kRegisters = {"r1", "r2", "r3", "r4", "r5"};
constexpr std::array<const char*, 2> kStations = {"left", "right"};

/// What became of one note in one measurement.
struct NoteOutcome {
  int midi = 0;
  std::string where;
  double error[4] = {};  // lateral, height, gap mm; yaw deg
  double u[4] = {};
  bool long_tine = false;
  bool gap_uncertain = false;
  bool decided = false;             // `centered` or `re-center`
  double gap_off_profile_mm = 0.0;  // the error of not measuring the gap at all
};

/// Everything that one column of the table is made of.
struct Tally {
  int in_view = 0;
  std::vector<NoteOutcome> notes;
  // Of every note that got a verdict, in the register or beside it.
  int contradicted = 0;
  int others_contradicted = 0;  // height or gap
  std::vector<std::string> remarks;

  void Add(const Tally& other) {
    in_view += other.in_view;
    notes.insert(notes.end(), other.notes.begin(), other.notes.end());
    contradicted += other.contradicted;
    others_contradicted += other.others_contradicted;
    remarks.insert(remarks.end(), other.remarks.begin(), other.remarks.end());
  }
  [[nodiscard]] std::vector<double> Errors(int quantity) const {
    std::vector<double> errors;
    for (const NoteOutcome& note : notes) {
      if (quantity != 3 || note.long_tine) errors.push_back(note.error[quantity]);
    }
    return errors;
  }
  /// Share of the errors within U, %: of one quantity, or of all four for a negative number.
  [[nodiscard]] double Within(int quantity) const {
    int within = 0;
    int all = 0;
    for (const NoteOutcome& note : notes) {
      for (int q = 0; q < 4; ++q) {
        if (quantity >= 0 && q != quantity) continue;
        ++all;
        if (std::abs(note.error[q]) <= note.u[q]) ++within;
      }
    }
    return all == 0 ? 0.0 : 100.0 * within / all;
  }
  /// Share of the notes of which `holds` is true, %.
  template <typename Predicate>
  [[nodiscard]] double Share(const Predicate& holds) const {
    if (notes.empty()) return 0.0;
    const auto count = std::count_if(notes.begin(), notes.end(), holds);
    return 100.0 * static_cast<double>(count) / static_cast<double>(notes.size());
  }
  [[nodiscard]] std::array<double, kRowCount> Figures() const {
    std::array<double, kRowCount> figures{};
    figures[kCoverage] = in_view == 0 ? 0.0 : 100.0 * static_cast<double>(notes.size()) / in_view;
    figures[kLateralRms] = Rms(Errors(0));
    figures[kLateralLargest] = Largest(Errors(0));
    figures[kHeightRms] = Rms(Errors(1));
    figures[kGapRms] = Rms(Errors(2));
    figures[kGapUncertain] = Share([](const NoteOutcome& note) { return note.gap_uncertain; });
    figures[kYawRms] = Rms(Errors(3));
    figures[kWithinLeast] = figures[kWithinMost] = Within(-1);
    figures[kLateralWithin] = Within(0);
    std::vector<double> over_u;
    over_u.reserve(notes.size());
    for (const NoteOutcome& note : notes) over_u.push_back(2.0 * note.error[0] / note.u[0]);
    figures[kLateralOverU] = Rms(over_u);
    figures[kContradicted] = contradicted;
    figures[kDecided] = Share([](const NoteOutcome& note) { return note.decided; });
    figures[kOthersContradicted] = others_contradicted;
    return figures;
  }
};

/// A verdict for or against a quantity where the truth says the other.
bool Contradicted(Verdict verdict, double true_deviation, double tolerance) {
  const bool off = std::abs(true_deviation) > tolerance;
  return (verdict == Verdict::kInTolerance && off) || (verdict == Verdict::kOutOfTolerance && !off);
}

NoteOutcome Compare(const NoteMeasurement& note, const TrueNote& truth, const NoteProfile& target,
                    const std::string& where) {
  NoteOutcome outcome{note.midi,
                      where,
                      {},
                      {},
                      truth.LengthMm() > kLongTine_mm,
                      note.gap_verdict == Verdict::kUncertain,
                      note.lateral_verdict != Verdict::kUncertain,
                      target.gap_mm - truth.gap_mm};
  const std::array<std::pair<const Measured*, double>, 4> pairs = {
      {{&*note.lateral_mm, truth.lateral_mm},
       {&*note.height_mm, truth.height_mm},
       {&*note.gap_mm, truth.gap_mm},
       {&*note.yaw_deg, truth.yaw_deg}}};
  for (std::size_t q = 0; q < pairs.size(); ++q) {
    outcome.error[q] = pairs[q].first->value - pairs[q].second;
    outcome.u[q] = pairs[q].first->expanded_u;
  }
  return outcome;
}

/// Counts and tells the verdicts of one note that the truth contradicts.
void CheckVerdicts(const NoteMeasurement& note, const TrueNote& truth, const NoteProfile& target,
                   const std::string& where, Tally& tally) {
  struct Judged {
    const char* name;
    Verdict verdict;
    Quantity quantity;
    const Measured& found;
    double truth, target, tolerance;
  };
  const std::array<Judged, 3> all = {
      {{"lateral", note.lateral_verdict, Quantity::kLateral, *note.lateral_mm, truth.lateral_mm,
        0.0, target.tolerance_lateral_mm},
       {"height", note.height_verdict, Quantity::kHeight, *note.height_mm, truth.height_mm,
        target.height_mm, target.tolerance_height_mm},
       {"gap", note.gap_verdict, Quantity::kGap, *note.gap_mm, truth.gap_mm, target.gap_mm,
        target.tolerance_gap_mm}}};
  for (const Judged& j : all) {
    if (!Contradicted(j.verdict, j.truth - j.target, j.tolerance)) continue;
    ++(j.quantity == Quantity::kLateral ? tally.contradicted : tally.others_contradicted);
    char text[160];
    std::snprintf(text, sizeof text, "%s %s: %s %s, %+.3f ± %.3f mm, truth %+.3f, limits %g ± %g",
                  where.c_str(), truth.name.c_str(), j.name,
                  VerdictWord(j.verdict, j.quantity).c_str(), j.found.value, j.found.expanded_u,
                  j.truth, j.target, j.tolerance);
    tally.remarks.emplace_back(text);
  }
}

/// Puts one measurement against the truth of a register. `in_view` are the notes that should have
/// got a figure; verdicts are checked of the neighbors in the picture too, if `neighbors`.
Tally Score(const VisitMeasurement& visit, const TrueRegister& truth,
            const std::vector<const TrueNote*>& in_view, const InstrumentProfile& profile,
            const std::string& where, bool neighbors) {
  Tally tally;
  tally.in_view = static_cast<int>(in_view.size());
  std::map<int, const NoteMeasurement*> found;
  for (const NoteMeasurement& note : visit.notes) found[note.midi] = &note;
  for (const TrueNote* note : in_view) {
    const auto at = found.find(note->midi);
    const bool figure = at != found.end() && at->second->lateral_mm && at->second->height_mm &&
                        at->second->gap_mm && at->second->yaw_deg;
    if (figure) {
      tally.notes.push_back(Compare(*at->second, *note, *profile.Find(note->midi), where));
    } else {
      tally.remarks.push_back(where + " " + note->name + ": no figure, " +
                              (at == found.end() ? "not found" : at->second->reason));
    }
  }
  for (const auto& [midi, note] : found) {
    const TrueNote* real = truth.Find(midi);
    if (real == nullptr || !note->lateral_mm || !(neighbors || real->in_register)) continue;
    CheckVerdicts(*note, *real, *profile.Find(midi), where, tally);
  }
  return tally;
}

/// One call of `measure`.
struct Job {
  std::vector<std::filesystem::path> photos;
  std::vector<std::pair<std::string, std::string>> stations;  // register and station
  Result<VisitMeasurement> visit = Fail("not run");
};

void MeasureAll(std::vector<Job>& jobs, const MeasureRequest& common) {
  std::atomic<std::size_t> next{0};
  std::vector<std::jthread> workers;
  const unsigned threads = std::max(1U, std::thread::hardware_concurrency());
  for (unsigned t = 0; t < threads; ++t) {
    workers.emplace_back([&] {
      for (std::size_t i = next++; i < jobs.size(); i = next++) {
        MeasureRequest request = common;
        request.photos = jobs[i].photos;
        jobs[i].visit = MeasureVisit(request, nullptr);
      }
    });
  }
}

void PrintTable(const char* title, const std::map<std::string, Tally>& columns, Kind kind) {
  std::printf("\n%-34s", title);
  for (const auto& [name, tally] : columns) std::printf("%8s", name.c_str());
  std::printf("%10s%8s\n", "required", "limit");
  for (std::size_t r = 0; r < kRows.size(); ++r) {
    if (r == kWithinMost) continue;  // printed once, judged at both ends
    std::printf("%-34s", kRows[r].quantity);
    for (const auto& [name, tally] : columns) {
      char figure[16] = "-";
      if (r != kYawRms || !tally.Errors(3).empty()) {
        std::snprintf(figure, sizeof figure, kRows[r].format, tally.Figures()[r]);
      }
      std::printf("%8s", figure);
    }
    const double required = kRows[r].required[kind];
    const auto text = [](double value) {
      return value == kNone ? std::string("-") : std::to_string(value).substr(0, 5);
    };
    std::printf("%10s%8s\n", text(required).c_str(),
                text(kRows[r].now[kind].value_or(required)).c_str());
    if (r != kGapRms) continue;
    std::printf("%-34s", "  gap of the profile alone, RMS mm");
    for (const auto& [name, tally] : columns) {
      std::vector<double> errors;
      for (const NoteOutcome& note : tally.notes) errors.push_back(note.gap_off_profile_mm);
      std::printf("%8.3f", Rms(errors));
    }
    std::printf("\n");
  }
  static constexpr std::array<const char*, 4> kNames = {"  lateral", "  height", "  gap", "  yaw"};
  for (int q = 0; q < 4; ++q) {
    std::printf("%-34s", kNames[static_cast<std::size_t>(q)]);
    for (const auto& [name, tally] : columns) std::printf("%8.1f", tally.Within(q));
    std::printf("   %% of errors within U\n");
  }
  std::printf("%-34s", "notes");
  for (const auto& [name, tally] : columns) std::printf("%8zu", tally.notes.size());
  std::printf("\n");
}

void PrintWorst(const Tally& tally) {
  static constexpr std::array<const char*, 4> kNames = {"lateral", "height", "gap", "yaw"};
  for (int q = 0; q < 4; ++q) {
    std::vector<NoteOutcome> notes = tally.notes;
    std::sort(notes.begin(), notes.end(), [q](const NoteOutcome& a, const NoteOutcome& b) {
      return std::abs(a.error[q]) > std::abs(b.error[q]);
    });
    std::printf("worst %s:", kNames[static_cast<std::size_t>(q)]);
    for (std::size_t i = 0; i < std::min<std::size_t>(6, notes.size()); ++i) {
      std::printf("  %s %s %+.3f (U %.3f)", notes[i].where.c_str(), NoteName(notes[i].midi).c_str(),
                  notes[i].error[q], notes[i].u[q]);
    }
    std::printf("\n");
  }
  for (const std::string& remark : tally.remarks) std::printf("  %s\n", remark.c_str());
}

void JudgeTable(const char* what, const Tally& tally, Kind kind) {
  const auto figures = tally.Figures();
  for (std::size_t r = 0; r < kRows.size(); ++r) {
    const double required = kRows[r].required[kind];
    const double limit = kRows[r].now[kind].value_or(required);
    if (limit == kNone) continue;
    const bool reached = kRows[r].at_least ? figures[r] >= limit : figures[r] <= limit;
    EXPECT_TRUE(reached) << what << ": " << kRows[r].quantity << " is " << figures[r]
                         << ", the limit is " << limit << " (required " << required << ")";
    if (required == kNone) continue;
    const bool done = kRows[r].at_least ? figures[r] >= required : figures[r] <= required;
    if (kRows[r].now[kind] && done) {
      std::printf("%s: %s reaches what is required: drop its limit\n", what, kRows[r].quantity);
    }
  }
}

std::vector<Job> MakeJobs() {
  std::vector<Job> jobs(1);  // all photos of the visit first: it takes longest
  std::vector<Job> pairs;
  std::vector<Job> singles;
  for (const std::string name : kRegisters) {
    Job pair;
    for (const std::string station : kStations) {
      const auto file = testing::kSamples / "harp" / (name + "_" + station + ".jpg");
      if (!std::filesystem::exists(file)) {
        ADD_FAILURE() << file << " is missing";
        continue;
      }
      pair.photos.push_back(file);
      pair.stations.emplace_back(name, station);
      singles.push_back({{file}, {{name, station}}});
    }
    jobs[0].photos.insert(jobs[0].photos.end(), pair.photos.begin(), pair.photos.end());
    jobs[0].stations.insert(jobs[0].stations.end(), pair.stations.begin(), pair.stations.end());
    if (pair.photos.size() == 2) pairs.push_back(pair);
  }
  jobs.insert(jobs.end(), pairs.begin(), pairs.end());
  jobs.insert(jobs.end(), singles.begin(), singles.end());
  return jobs;
}

/// Notes of the register that are in view in every one of its stations in the job.
std::vector<const TrueNote*> InViewOfAll(const TrueRegister& truth, const Job& job) {
  std::map<const TrueNote*, int> seen;
  int stations = 0;
  for (const auto& [name, station] : job.stations) {
    if (name != truth.name) continue;
    ++stations;
    const auto photo = testing::ReadTruePhoto(name + "_" + station);
    for (const TrueNote* note : testing::NotesInView(truth, photo)) ++seen[note];
  }
  std::vector<const TrueNote*> result;
  for (const TrueNote& note : truth.notes) {
    const auto at = seen.find(&note);
    if (at != seen.end() && at->second == stations) result.push_back(&note);
  }
  return result;
}

/// The rig file of the same rig whose frame is another one: what a rig clamped in another way is to
/// the measuring.
Rig Moved(Rig rig, const Eigen::Isometry3d& move) {
  for (RigTag& tag : rig.tags) {
    for (Eigen::Vector3d& corner : tag.corners_mm) corner = move * corner;
  }
  for (RigPoint& point : rig.points) point.position_mm = move * point.position_mm;
  return rig;
}

/// Measures the job once more as if the rig had been clamped askew. The solve starts elsewhere and
/// the picture is straightened otherwise, so that the figures differ a little; by less than u they
/// have to agree.
void ExpectSameWhenClampedAskew(const Job& job, const MeasureRequest& common) {
  ASSERT_TRUE(job.visit);
  MeasureRequest request = common;
  request.photos = job.photos;
  Eigen::Isometry3d move = Eigen::Isometry3d::Identity();
  move.linear() = (Eigen::AngleAxisd(0.05, Eigen::Vector3d::UnitY()) *
                   Eigen::AngleAxisd(-0.03, Eigen::Vector3d::UnitX()) *
                   Eigen::AngleAxisd(0.02, Eigen::Vector3d::UnitZ()))
                      .toRotationMatrix();
  move.translation() = Eigen::Vector3d(5.0, 9.0, -6.0);
  request.rig = Moved(common.rig, move);
  const auto askew = MeasureVisit(request, nullptr);
  ASSERT_TRUE(askew) << askew.error().message;
  std::map<int, const NoteMeasurement*> straight;
  for (const NoteMeasurement& note : job.visit->notes) straight[note.midi] = &note;
  std::vector<double> differences_in_u;
  for (const NoteMeasurement& note : askew->notes) {
    const auto at = straight.find(note.midi);
    if (at == straight.end() || !note.lateral_mm || !at->second->lateral_mm) continue;
    differences_in_u.push_back((note.lateral_mm->value - at->second->lateral_mm->value) /
                               (0.5 * at->second->lateral_mm->expanded_u));
  }
  ASSERT_GE(differences_in_u.size(), 15U);
  std::printf("clamped askew by 3.5 deg and 12 mm: lateral differs by %.2f u RMS, at most %.2f\n",
              Rms(differences_in_u), Largest(differences_in_u));
  EXPECT_LT(Rms(differences_in_u), 1.0);
}

TEST(Accuracy, OfTheWholeJobOnTheSamplePhotos) {
  const testing::TempFolder folder;
  std::string report;
  ASSERT_NO_FATAL_FAILURE(testing::CalibrateOnSamples(folder, report));
  MeasureRequest common;
  const auto camera = ReadCamera(folder / "camera.json");
  const auto rig = ReadRig(folder / "rig.json");
  const auto profile = ReadInstrumentProfile(testing::kSamples / "instrument.json");
  ASSERT_TRUE(camera && rig && profile);
  common.camera = *camera;
  common.rig = *rig;
  common.profile = *profile;
  common.damper = DamperState::kHarpRaised;

  std::vector<Job> jobs = MakeJobs();
  MeasureAll(jobs, common);

  // Columns by register, then "all", for: one photo, two stations, the whole visit.
  std::array<std::map<std::string, Tally>, 3> tables;
  std::array<testing::SuspicionTally, 3> suspicions;
  for (const Job& job : jobs) {
    std::map<std::string, bool> registers;
    for (const auto& [name, station] : job.stations) registers[name] = true;
    const Kind kind = job.photos.size() == 1  ? kOnePhoto
                      : registers.size() == 1 ? kTwoStations
                                              : kWholeVisit;
    const std::string where = kind == kOnePhoto ? job.stations[0].first + job.stations[0].second[0]
                              : kind == kTwoStations ? job.stations[0].first
                                                     : "visit";
    if (!job.visit) ADD_FAILURE() << where << ": " << job.visit.error().message;
    if (job.visit) {
      for (const PhotoMeasurement& photo : job.visit->photos) {
        EXPECT_TRUE(photo.used) << photo.file << ": "
                                << (photo.warnings.empty() ? "" : photo.warnings.front());
      }
    }
    for (const auto& [name, unused] : registers) {
      const TrueRegister truth = testing::ReadTrueRegister(name);
      const VisitMeasurement visit = job.visit ? *job.visit : VisitMeasurement{};
      const Tally tally =
          Score(visit, truth, InViewOfAll(truth, job), *profile, where, kind != kWholeVisit);
      tables[kind][name].Add(tally);
      tables[kind]["sum"].Add(tally);
      testing::ScoreSuspicions(visit, name, *profile, suspicions[kind]);
    }
  }
  const std::array<const char*, 3> titles = {"one photo", "two stations", "the whole visit"};
  for (const Kind kind : {kOnePhoto, kTwoStations, kWholeVisit}) {
    PrintTable(titles[kind], tables[kind], kind);
    PrintWorst(tables[kind]["sum"]);
    testing::PrintSuspicions(titles[kind], suspicions[kind]);
    EXPECT_GE(suspicions[kind].Sum().named, kFewestFaultsNamed[kind]) << titles[kind];
    EXPECT_LE(suspicions[kind].Sum().false_alarms, kMostFalseAlarms[kind]) << titles[kind];
  }
  std::printf("\n");
  ExpectSameWhenClampedAskew(jobs[2], common);  // both stations of r2
  for (const Kind kind : {kOnePhoto, kTwoStations, kWholeVisit}) {
    JudgeTable(titles[kind], tables[kind]["sum"], kind);
  }
}

}  // namespace
}  // namespace tinesight
