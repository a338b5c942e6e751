#pragma once

// The sample photos and what is really in them. Only tests read the truth.
#include <gtest/gtest.h>

#include <Eigen/Core>
#include <Eigen/Geometry>
#include <algorithm>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "calibration/rig.hpp"
#include "calibration/strips.hpp"

namespace tinesight::testing {

inline const std::filesystem::path kSamples =
    std::filesystem::path(TINESIGHT_SOURCE_DIR) / "sample_images";

inline nlohmann::json ReadTruth(const std::string& name) {
  return nlohmann::json::parse(std::ifstream(kSamples / "truth" / (name + ".json")));
}

inline Eigen::Vector3d ToVector(const nlohmann::json& j) {
  return {j[0].get<double>(), j[1].get<double>(), j[2].get<double>()};
}

inline Eigen::Isometry3d ToTransform(const nlohmann::json& rows) {
  Eigen::Isometry3d transform = Eigen::Isometry3d::Identity();
  for (int r = 0; r < 3; ++r) {
    for (int c = 0; c < 4; ++c) {
      transform.matrix()(r, c) =
          rows[static_cast<std::size_t>(r)][static_cast<std::size_t>(c)].get<double>();
    }
  }
  return transform;
}

/// A note as it really is, harp frame.
struct TrueNote {
  int midi = 0;
  std::string name;
  bool in_register = false;
  Eigen::Vector3d root_harp_mm, tip_harp_mm, pickup_harp_mm;
  double diameter_mm = 0.0;
  double lateral_mm = 0.0, height_mm = 0.0, gap_mm = 0.0, yaw_deg = 0.0;
  [[nodiscard]] double LengthMm() const { return (tip_harp_mm - root_harp_mm).norm(); }
};

struct TrueRegister {
  std::string name;
  std::vector<TrueNote> notes;
  [[nodiscard]] const TrueNote* Find(int midi) const {
    const auto found = std::find_if(notes.begin(), notes.end(),
                                    [midi](const TrueNote& note) { return note.midi == midi; });
    return found == notes.end() ? nullptr : &*found;
  }
};

inline TrueRegister ReadTrueRegister(const std::string& name) {
  const nlohmann::json truth = ReadTruth(name);
  TrueRegister result{name, {}};
  for (const auto& j : truth["notes"]) {
    result.notes.push_back({j["midi"], j["name"], j["in_register"], ToVector(j["root_harp_mm"]),
                            ToVector(j["tip_harp_mm"]), ToVector(j["pickup_harp_mm"]),
                            j["tine_diameter_mm"], j["lateral_mm"], j["height_mm"], j["gap_mm"],
                            j["yaw_deg"]});
  }
  return result;
}

/// One photo's truth: where the camera stood, and which notes it takes in.
struct TruePhoto {
  std::string name;
  Eigen::Vector3d eye_harp_mm;
  /// The notes whose pole tip and tine tip lie in the picture.
  std::vector<int> framed;
};

inline TruePhoto ReadTruePhoto(const std::string& name) {
  const nlohmann::json truth = ReadTruth(name);
  TruePhoto photo{name,
                  ToTransform(truth["harp_from_rig"]) *
                      ToTransform(truth["camera_from_rig"]).inverse().translation(),
                  {}};
  const double width = truth["camera"]["width"];
  const double height = truth["camera"]["height"];
  const auto inside = [&](const nlohmann::json& px) {
    return px[0] >= 0.0 && px[0] <= width - 1.0 && px[1] >= 0.0 && px[1] <= height - 1.0;
  };
  for (const auto& note : truth["notes"]) {
    if (inside(note["pickup_px"]) && inside(note["tip_px"])) photo.framed.push_back(note["midi"]);
  }
  return photo;
}

/// Whether the straight line from `eye` to `point` passes through a note's block (scene.py: 7 mm
/// wide, 8 mm high, from 13 mm behind the root up to it; its tilt of at most 1° is left out).
inline bool BlockHides(const TrueNote& note, const Eigen::Vector3d& eye,
                       const Eigen::Vector3d& point) {
  const Eigen::Vector3d low = note.root_harp_mm + Eigen::Vector3d(-3.5, -4.0, -13.0);
  const Eigen::Vector3d high = note.root_harp_mm + Eigen::Vector3d(3.5, 4.0, 0.0);
  double enter = 0.0;
  double leave = 1.0;
  for (int axis = 0; axis < 3; ++axis) {
    const double step = point[axis] - eye[axis];
    if (std::abs(step) < 1e-12) {
      if (eye[axis] < low[axis] || eye[axis] > high[axis]) return false;
      continue;
    }
    const double a = (low[axis] - eye[axis]) / step;
    const double b = (high[axis] - eye[axis]) / step;
    enter = std::max(enter, std::min(a, b));
    leave = std::min(leave, std::max(a, b));
  }
  return enter < leave - 1e-9;
}

/// How much of a tine's axis the photo shows, mm: not behind its own block or a neighbor's.
inline double VisibleTineMm(const TrueRegister& truth, const TrueNote& note,
                            const TruePhoto& photo) {
  constexpr double kStep = 0.1;  // mm
  double visible_mm = 0.0;
  const double length_mm = note.LengthMm();
  for (double along = 0.5 * kStep; along < length_mm; along += kStep) {
    const Eigen::Vector3d point =
        note.root_harp_mm + along / length_mm * (note.tip_harp_mm - note.root_harp_mm);
    bool hidden = false;
    for (int k = -2; k <= 2 && !hidden; ++k) {
      const TrueNote* other = truth.Find(note.midi + k);
      hidden = other != nullptr && BlockHides(*other, photo.eye_harp_mm, point);
    }
    if (!hidden) visible_mm += kStep;
  }
  return visible_mm;
}

/// Notes of the register with at least 5 mm of tine and the pole tip in view.
inline std::vector<const TrueNote*> NotesInView(const TrueRegister& truth, const TruePhoto& photo) {
  std::vector<const TrueNote*> notes;
  for (const int midi : photo.framed) {
    const TrueNote* note = truth.Find(midi);
    if (note != nullptr && note->in_register && VisibleTineMm(truth, *note, photo) >= 5.0) {
      notes.push_back(note);
    }
  }
  return notes;
}

/// The rig as it really is, in the form of a rig file. `u_mm` is what is said of every mark.
inline Rig TrueRig(double u_mm) {
  const nlohmann::json truth = ReadTruth("rig");
  Rig rig;
  for (const auto& j : truth["tags"]) {
    RigTag tag;
    tag.id = j["id"];
    tag.u_mm = u_mm;
    for (std::size_t i = 0; i < 4; ++i) tag.corners_mm[i] = ToVector(j["corners_mm"][i]);
    rig.tags.push_back(tag);
  }
  for (const auto& j : truth["points"]) {
    const int first = j["bar"] == "pickup" ? kPickupBar.first_id : kMountBar.first_id;
    rig.points.push_back({first + j["index"].get<int>(), ToVector(j["xyz_mm"]), u_mm});
  }
  return rig;
}

inline double Rms(const std::vector<double>& errors) {
  double sum = 0.0;
  for (const double e : errors) sum += e * e;
  return errors.empty() ? 0.0 : std::sqrt(sum / static_cast<double>(errors.size()));
}

inline double Largest(const std::vector<double>& errors) {
  double largest = 0.0;
  for (const double e : errors) largest = std::max(largest, std::abs(e));
  return largest;
}

}  // namespace tinesight::testing
