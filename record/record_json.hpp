#pragma once

// For record/ alone: what a record keeps as JSON in one column, and its words. Every number comes
// back bit by bit.
#include <Eigen/Geometry>
#include <optional>
#include <string>
#include <vector>

#include "alignment/measurement.hpp"
#include "calibration/error.hpp"

namespace tinesight {

/// nothing: a number is not finite, and JSON has no word for that.
[[nodiscard]] std::optional<std::string> CameraColumn(const Camera& camera);
[[nodiscard]] std::optional<std::string> PoseColumn(const Eigen::Isometry3d& pose);
[[nodiscard]] std::optional<std::string> CovarianceColumn(const NoteCovariance& covariance);
[[nodiscard]] std::string IntegersColumn(const std::vector<int>& integers);

// Reading fails, saying what is no such thing, on anything that the functions above don't write.
[[nodiscard]] Result<Camera> CameraFromColumn(const std::string& json);
[[nodiscard]] Result<Eigen::Isometry3d> PoseFromColumn(const std::string& json);
[[nodiscard]] Result<NoteCovariance> CovarianceFromColumn(const std::string& json);
[[nodiscard]] Result<std::vector<int>> IntegersFromColumn(const std::string& json);

[[nodiscard]] bool IsJson(const std::string& text);

}  // namespace tinesight
