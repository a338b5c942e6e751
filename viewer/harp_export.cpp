#include "viewer/harp_export.hpp"

#include <open3d/geometry/TriangleMesh.h>
#include <open3d/io/TriangleMeshIO.h>
#include <open3d/utility/Logging.h>
#include <stdlib.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <exception>
#include <string>
#include <system_error>

#include "calibration/file_io.hpp"

namespace tinesight {
namespace {

// A file of our own that is gone when we are.
class TemporaryFile {
 public:
  TemporaryFile() {
    std::error_code code;
    name_ = (std::filesystem::temp_directory_path(code) / "tinesight-XXXXXX.ply").string();
    const int descriptor = mkstemps(name_.data(), 4);
    made_ = descriptor >= 0;
    if (made_) close(descriptor);
  }
  ~TemporaryFile() {
    if (made_) unlink(name_.c_str());
  }
  TemporaryFile(const TemporaryFile&) = delete;
  TemporaryFile& operator=(const TemporaryFile&) = delete;

  [[nodiscard]] bool Made() const { return made_; }
  [[nodiscard]] const std::string& Name() const { return name_; }

 private:
  std::string name_;
  bool made_ = false;
};

open3d::geometry::TriangleMesh Joined(const std::vector<SceneMesh>& scene) {
  open3d::geometry::TriangleMesh joined;
  for (const SceneMesh& mesh : scene) {
    const auto first = static_cast<int>(joined.vertices_.size());
    const Eigen::Vector3d color(mesh.color_rgb[0] / 255.0, mesh.color_rgb[1] / 255.0,
                                mesh.color_rgb[2] / 255.0);
    for (const Eigen::Vector3d& vertex : mesh.vertices_mm) {
      joined.vertices_.push_back(vertex);
      joined.vertex_colors_.push_back(color);
    }
    for (const auto& t : mesh.triangles) {
      joined.triangles_.emplace_back(first + static_cast<int>(t[0]), first + static_cast<int>(t[1]),
                                     first + static_cast<int>(t[2]));
    }
  }
  return joined;
}

}  // namespace

Result<void> WriteHarpModel(const std::vector<SceneMesh>& scene,
                            const std::filesystem::path& file) {
  if (scene.empty()) return Fail(file.string() + ": no note was measured, so there is no model");
  // Open3D writes in place; through a temporary file ours is whole or not there.
  const TemporaryFile temporary;
  if (!temporary.Made()) {
    return Fail("no temporary file could be made for " + file.string() + ": " +
                std::strerror(errno));
  }
  open3d::utility::SetVerbosityLevel(open3d::utility::VerbosityLevel::Error);
  try {
    if (!open3d::io::WriteTriangleMesh(temporary.Name(), Joined(scene), /*write_ascii=*/true)) {
      return Fail(file.string() + ": the model could not be written");
    }
  } catch (const std::exception& error) {
    return Fail(file.string() + ": the model could not be written: " + error.what());
  }
  const Result<std::string> bytes = ReadFileBytes(temporary.Name());
  if (!bytes) return tl::unexpected(bytes.error());
  return WriteFileAtomically(file, *bytes);
}

}  // namespace tinesight
