#pragma once

// The faults that the sample instrument was given, against what the photos make one suspect.
#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <cstdio>
#include <map>
#include <string>
#include <vector>

#include "alignment/measurement.hpp"
#include "alignment/profile.hpp"
#include "tests/sample_truth.hpp"

namespace tinesight::testing {

struct SuspicionCount {
  int planted = 0;  ///< faults of this kind in view
  int named = 0;    ///< of these
  int also_so = 0;  ///< suspicions of what was not planted, but really exceeds the threshold
  int false_alarms = 0;
};

struct SuspicionTally {
  std::array<SuspicionCount, 4> kinds;  ///< by SuspicionKind
  std::vector<std::string> remarks;
  int notes = 0;

  [[nodiscard]] SuspicionCount Sum() const {
    SuspicionCount sum;
    for (const SuspicionCount& kind : kinds) {
      sum.planted += kind.planted;
      sum.named += kind.named;
      sum.also_so += kind.also_so;
      sum.false_alarms += kind.false_alarms;
    }
    return sum;
  }
};

inline constexpr std::array<const char*, 4> kPlantedNames{"grommet_flattened", "tine_crooked",
                                                          "tone_bar_skewed", "pickup_out_of_line"};

/// How far a note really is off in what each kind of suspicion looks at: mm or degrees, by
/// SuspicionKind. A bar's height is that of its tine's middle, as planted heights are scattered
/// about the profile.
inline std::array<double, 4> TrueDeviations(const nlohmann::json& note,
                                            const InstrumentProfile& profile) {
  const Eigen::Vector3d root = ToVector(note["root_harp_mm"]);
  const Eigen::Vector3d tip = ToVector(note["tip_harp_mm"]);
  const Eigen::Vector3d pickup = ToVector(note["pickup_harp_mm"]);
  const int midi = note["midi"];
  const double middle_midi = 0.5 * (profile.FirstMidi() + profile.LastMidi());
  const double row_mm = (midi - middle_midi) * profile.note_spacing_mm;
  const double bar_deg = note["tone_bar_yaw_deg"];
  return {0.5 * (root.y() + tip.y()) - profile.Find(midi)->height_mm,
          note["yaw_deg"].get<double>() - bar_deg, bar_deg, pickup.x() - row_mm};
}

/// Adds one measurement's suspicions about the register's own notes.
inline void ScoreSuspicions(const VisitMeasurement& visit, const std::string& register_name,
                            const InstrumentProfile& profile, SuspicionTally& tally) {
  const SuspicionProfile& limits = profile.suspicion;
  const std::array<double, 4> thresholds{limits.tone_bar_low_mm, limits.crooked_deg,
                                         limits.skewed_deg, limits.pickup_out_mm};
  std::map<int, const NoteMeasurement*> found;
  for (const NoteMeasurement& note : visit.notes) found[note.midi] = &note;
  const nlohmann::json truth = ReadTruth(register_name);
  for (const auto& note : truth["notes"]) {
    const auto at = found.find(note["midi"]);
    if (!note["in_register"].get<bool>() || at == found.end() || !at->second->lateral_mm) continue;
    ++tally.notes;
    const auto really = TrueDeviations(note, profile);
    for (std::size_t kind = 0; kind < 4; ++kind) {
      bool planted = false;
      for (const auto& fault : note["faults"]) planted = planted || fault == kPlantedNames[kind];
      const Suspicion* suspicion = nullptr;
      for (const Suspicion& s : at->second->suspicions) {
        if (static_cast<std::size_t>(s.kind) == kind) suspicion = &s;
      }
      SuspicionCount& count = tally.kinds[kind];
      if (planted) ++count.planted;
      if (planted && suspicion != nullptr) ++count.named;
      if (planted || suspicion == nullptr) continue;
      const double off = kind == 0 ? -really[0] : std::abs(really[kind]);
      ++(off > thresholds[kind] ? count.also_so : count.false_alarms);
      char text[200];
      std::snprintf(text, sizeof text, "%s %s: not planted, really %.2f: %s", register_name.c_str(),
                    note["name"].get<std::string>().c_str(), really[kind], suspicion->text.c_str());
      tally.remarks.emplace_back(text);
    }
  }
}

inline void PrintSuspicions(const char* title, const SuspicionTally& tally) {
  std::printf("\nsuspicions, %s, %d notes%*s planted  named  also so  false alarms\n", title,
              tally.notes, 4, "");
  const auto row = [](const char* name, const SuspicionCount& count) {
    std::printf("  %-40s %7d %6d %8d %13d\n", name, count.planted, count.named, count.also_so,
                count.false_alarms);
  };
  for (std::size_t kind = 0; kind < 4; ++kind) row(kPlantedNames[kind], tally.kinds[kind]);
  row("all", tally.Sum());
  for (const std::string& remark : tally.remarks) std::printf("  %s\n", remark.c_str());
}

}  // namespace tinesight::testing
