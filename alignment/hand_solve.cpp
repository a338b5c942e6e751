#include "alignment/hand_solve.hpp"

#include <algorithm>
#include <cmath>
#include <vector>

#include "alignment/correction.hpp"
#include "calibration/angle.hpp"

namespace tinesight {
namespace {

using Eigen::Vector2d;
using Eigen::Vector3d;

// Pickup x, y, z mm; lateral, height mm; tangents of yaw and pitch.
constexpr int kUnknowns = 7;
using State = Eigen::Matrix<double, kUnknowns, 1>;

// Of a pickup that was measured and not placed.
constexpr double kMeasuredPickupMm = 0.15;

class HandProblem {
 public:
  HandProblem(const NoteMeasurement& measured, const NoteProfile& target,
              const PriorUncertainty& prior, std::span<const HandPlacement> placements)
      : measured_(measured), target_(target), prior_(prior), placements_(placements) {
    placed_pickup_ = std::any_of(placements.begin(), placements.end(),
                                 [](const HandPlacement& p) { return p.pickup_px.has_value(); });
  }

  [[nodiscard]] State Start() const {
    State state;
    const Vector3d direction = measured_.tip_harp_mm - measured_.root_harp_mm;
    state << measured_.pickup_harp_mm, measured_.lateral_mm->value,
        measured_.height_mm ? measured_.height_mm->value : target_.height_mm,
        direction.x() / direction.z(), direction.y() / direction.z();
    return state;
  }

  // A point of the axis, `along_mm` from the pickup's face toward the mount (negative z).
  static Vector3d OnAxis(const State& s, double along_mm) {
    return {s[0] + s[3] - along_mm * s[5], s[1] + s[4] - along_mm * s[6], s[2] - along_mm};
  }

  // Whitened: observations, then priors.
  [[nodiscard]] Eigen::VectorXd Residuals(const State& s) const {
    std::vector<double> r;
    for (const HandPlacement& placement : placements_) {
      const Vector2d near = Project(placement, OnAxis(s, 2.0));
      const Vector2d far = Project(placement, OnAxis(s, target_.tine_length_mm));
      const Vector2d along = (far - near).normalized();
      for (const Vector2d& point : placement.axis_px) {
        const Vector2d d = point - near;
        r.push_back((d.x() * along.y() - d.y() * along.x()) / placement.sigma_px);
      }
      if (!placement.pickup_px) continue;
      const Vector2d d = Project(placement, s.head<3>()) - *placement.pickup_px;
      r.push_back(d.x() / placement.sigma_px);
      r.push_back(d.y() / placement.sigma_px);
    }
    const double pickup_sigma = placed_pickup_ ? prior_.pickup_position_mm : kMeasuredPickupMm;
    for (int i = 0; i < 3; ++i) {
      r.push_back((s[i] - measured_.pickup_harp_mm[i]) / pickup_sigma);
    }
    r.push_back(s[3] / prior_.lateral_mm);
    r.push_back((s[4] - target_.height_mm) / prior_.height_mm);
    r.push_back(s[5] / (prior_.tine_yaw_deg * kRadPerDeg));
    r.push_back(s[6] / (prior_.tine_pitch_deg * kRadPerDeg));
    return Eigen::Map<Eigen::VectorXd>(r.data(), static_cast<Eigen::Index>(r.size()));
  }

  [[nodiscard]] Eigen::MatrixXd Jacobian(const State& s) const {
    constexpr double kStep = 1e-6;
    const Eigen::Index rows = Residuals(s).size();
    Eigen::MatrixXd jacobian(rows, kUnknowns);
    for (int i = 0; i < kUnknowns; ++i) {
      State up = s;
      State down = s;
      up[i] += kStep;
      down[i] -= kStep;
      jacobian.col(i) = (Residuals(up) - Residuals(down)) / (2.0 * kStep);
    }
    return jacobian;
  }

 private:
  static Vector2d Project(const HandPlacement& placement, const Vector3d& point_harp_mm) {
    const Vector3d p = placement.camera_from_harp * point_harp_mm;
    return {placement.camera.fx_px * p.x() / p.z() + placement.camera.cx_px,
            placement.camera.fy_px * p.y() / p.z() + placement.camera.cy_px};
  }

  const NoteMeasurement& measured_;
  const NoteProfile& target_;
  const PriorUncertainty& prior_;
  std::span<const HandPlacement> placements_;
  bool placed_pickup_ = false;
};

// The figure with the larger of the two uncertainties.
Measured Stated(double value, double standard_u, const std::optional<Measured>& measured) {
  return {value, std::max(2.0 * standard_u, measured ? measured->expanded_u : 0.0)};
}

NoteMeasurement NoteOf(const NoteMeasurement& measured, const NoteProfile& target,
                       const InstrumentProfile& instrument, const State& s,
                       const Eigen::Matrix<double, kUnknowns, kUnknowns>& covariance) {
  NoteMeasurement note = measured;
  const auto u = [&](int i) { return std::sqrt(covariance(i, i)); };
  const auto angle_u = [&](int i) { return u(i) / (1.0 + s[i] * s[i]) / kRadPerDeg; };
  note.lateral_mm = Stated(s[3], u(3), measured.lateral_mm);
  note.height_mm = Stated(s[4], u(4), measured.height_mm);
  note.yaw_deg = Stated(std::atan(s[5]) / kRadPerDeg, angle_u(5), measured.yaw_deg);
  note.pitch_deg = Stated(std::atan(s[6]) / kRadPerDeg, angle_u(6), measured.pitch_deg);
  note.covariance.reset();
  note.pickup_harp_mm = s.head<3>();
  const double gap = measured.gap_mm ? measured.gap_mm->value : target.gap_mm;
  const double length = (measured.tip_harp_mm - measured.root_harp_mm).norm();
  const Vector3d direction = Vector3d(s[5], s[6], 1.0).normalized();
  note.tip_harp_mm = HandProblem::OnAxis(s, gap);
  note.root_harp_mm = note.tip_harp_mm - length * direction;
  note.lateral_verdict =
      Judge(note.lateral_mm->value, note.lateral_mm->expanded_u, target.tolerance_lateral_mm);
  if (measured.height_verdict != Verdict::kNotMeasured) {
    note.height_verdict = Judge(note.height_mm->value - target.height_mm,
                                note.height_mm->expanded_u, target.tolerance_height_mm);
  }
  note.reason = "placed by hand";
  note.advice.clear();
  FillAdvice(note, target, instrument);
  return note;
}

}  // namespace

Result<NoteMeasurement> SolveByHand(const NoteMeasurement& measured,
                                    const InstrumentProfile& instrument,
                                    std::span<const HandPlacement> placements) {
  const NoteProfile* target = instrument.Find(measured.midi);
  if (target == nullptr) return Fail("the instrument profile has no such note");
  if (!measured.lateral_mm) return Fail("a note that was not measured can't be placed by hand");
  if (placements.empty()) return Fail("nothing was placed by hand");
  const HandProblem problem(measured, *target, instrument.prior_u, placements);
  State state = problem.Start();
  Eigen::Matrix<double, kUnknowns, kUnknowns> normal;
  constexpr int kMostRounds = 30;
  for (int round = 0; round < kMostRounds; ++round) {
    const Eigen::MatrixXd jacobian = problem.Jacobian(state);
    normal = jacobian.transpose() * jacobian;
    const State step = normal.ldlt().solve(-jacobian.transpose() * problem.Residuals(state));
    state += step;
    if (!state.allFinite()) return Fail("the places do not fit a tine in front of a pickup");
    if (step.norm() < 1e-10) break;
  }
  return NoteOf(measured, *target, instrument, state, normal.inverse());
}

}  // namespace tinesight
