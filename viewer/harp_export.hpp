#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "calibration/error.hpp"
#include "viewer/harp_scene.hpp"

namespace tinesight {

/// One note of the exported model: its parts become one mesh.
struct NoteModel {
  std::string name;     ///< "F#1"
  std::string verdict;  ///< in words: "re-center", as a color alone says nothing to many
  std::vector<SceneMesh> parts;
};

/// Every measured note of a visit with its tine in its verdict's color: vermilion for a note out
/// of tolerance, yellow for an uncertain one, blue for one in tolerance. The pole tip is gray.
[[nodiscard]] std::vector<NoteModel> NoteModels(const VisitMeasurement& visit);

/// Writes the notes with vertex colors in the harp frame through Open3D, whole or not at all. The
/// name's ending says how:
/// - .ply: one mesh of all notes (ASCII, mm); the format has no names.
/// - .gltf: one mesh a note with its name, in a node "F#1: re-center". Vertices are mm; a root node
///   scales them to the meters that glTF 2.0 (section 3.4) wants. +y is up there as here.
///
/// Only here is Open3D linked: it costs every program that links it 40 ms and 42 MB at start, so it
/// lives in a library and a program of their own.
[[nodiscard]] Result<void> WriteHarpModel(const std::vector<NoteModel>& notes,
                                          const std::filesystem::path& file);

}  // namespace tinesight
