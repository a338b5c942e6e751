#include "alignment/harp_solve.hpp"

#include <ceres/ceres.h>

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <initializer_list>
#include <map>
#include <memory>
#include <optional>
#include <set>
#include <string>
#include <utility>

#include "alignment/covariance.hpp"
#include "alignment/harp_costs.hpp"
#include "alignment/harp_residuals.hpp"
#include "alignment/linearized.hpp"
#include "calibration/angle.hpp"

namespace tinesight {
namespace {

template <int kSize>
ceres::CostFunction* PriorOf(int index, double mean, double sigma) {
  return new ceres::AutoDiffCostFunction<PriorError<kSize>, 1, kSize>(
      new PriorError<kSize>{index, mean, sigma});
}

struct NoteBlock {
  const NoteProfile* profile = nullptr;
  std::array<double, SolvedNote::kCount> state{};
  std::array<double, 4> tone_bar{};
  double length_change_mm = 0.0;  // from what the profile says
  bool has_block_edge = false;
  bool has_tone_bar = false;
  std::set<std::size_t> photos;
  [[nodiscard]] Eigen::Index Parameters() const {
    return SolvedNote::kCount + (has_tone_bar ? 4 : 0);
  }
  [[nodiscard]] double ToneBarMiddleZ() const { return -0.55 * profile->tine_length_mm; }
};

/// Mean standard uncertainty, px, of a photo's flanges and poles; 1 where none was seen.
std::array<double, kRingKinds> MeanRingSigmas(const PhotoObservations& photo) {
  std::array<double, kRingKinds> sums{};
  std::array<int, kRingKinds> counts{};
  for (const NoteObservation& note : photo.notes) {
    const std::optional<CenterObservation>* const rings[] = {&note.flange, &note.pole};
    for (std::size_t kind = 0; kind < kRingKinds; ++kind) {
      if (!*rings[kind]) continue;
      sums[kind] += (*rings[kind])->sigma_px;
      ++counts[kind];
    }
  }
  for (std::size_t kind = 0; kind < kRingKinds; ++kind) {
    sums[kind] = counts[kind] > 0 ? sums[kind] / counts[kind] : 1.0;
  }
  return sums;
}

/// The problem with its blocks; lives as long as Ceres looks at them.
class HarpProblem {
 public:
  HarpProblem(const std::vector<PhotoObservations>& photos, const InstrumentProfile& profile,
              const std::vector<Eigen::Isometry3d>& placements, const HarpSolveOptions& options)
      : photos_(photos), profile_(profile), placements_(placements), options_(options) {
    photo_blocks_.assign(photos.size(), {});
    placement_blocks_.assign(placements.size(), {});
    for (auto& block : placement_blocks_) {
      block.fill(0.0);
      block[kFirstDepth] = options.ring_depth_mm;
      block[kBlockTop] = BlockTop().mean;
    }
    for (auto& block : photo_blocks_) block.fill(0.0);
    CreateNotes();
    AddPlacements();
    for (std::size_t i = 0; i < photos.size(); ++i) AddPhoto(i);
    AddNotePriors();
  }

  [[nodiscard]] Result<HarpSolution> Solve() {
    ceres::Solver::Options solver;
    solver.linear_solver_type = ceres::SPARSE_NORMAL_CHOLESKY;
    solver.max_num_iterations = 200;
    // Ceres's 1e-6 stops while figures still move by a µm, from where depends on the start.
    solver.function_tolerance = 1e-10;
    solver.logging_type = ceres::SILENT;
    ceres::Solver::Summary summary;
    ceres::Solve(solver, &problem_, &summary);
    if (summary.termination_type != ceres::CONVERGENCE) {
      return Fail(
          "no place of the harp explains all photos together; look whether all show the same harp, "
          "cards hang over their notes, and nothing was turned between them");
    }
    HarpSolution solution;
    solution.variance_factor = VarianceFactor();
    FillTransforms(solution);
    if (auto filled = FillNotes(solution); !filled) {
      return tl::unexpected<Error>(filled.error());
    }
    return solution;
  }

 private:
  ceres::LossFunction* Robust() const { return new ceres::HuberLoss(options_.huber); }

  void CreateNotes() {
    for (std::size_t i = 0; i < photos_.size(); ++i) {
      for (const NoteObservation& seen : photos_[i].notes) {
        const NoteProfile* profile = profile_.Find(seen.midi);
        if (profile == nullptr || seen.axis.size() < 2) continue;
        NoteBlock& note = notes_[seen.midi];
        note.profile = profile;
        note.photos.insert(i);
        note.has_tone_bar = note.has_tone_bar || seen.tone_bar.size() >= 2;
        note.has_block_edge = note.has_block_edge || seen.block_edge;
        note.state = {NominalX(seen.midi), 0.0, 0.0, 0.0, profile->height_mm,
                      profile->gap_mm,     0.0, 0.0, 0.0};
        note.tone_bar = {NominalX(seen.midi), profile->height_mm + 8.0, 0.0, 0.0};
      }
    }
  }

  struct Prior {
    double mean;
    double sigma;
  };
  [[nodiscard]] Prior BlockTop() const {
    if (profile_.block_height_mm > 0.0) {
      return {0.5 * profile_.block_height_mm, options_.block_top_sigma_mm};
    }
    return {options_.usual_block_top_mm, options_.usual_block_top_sigma_mm};
  }

  [[nodiscard]] double NominalX(int midi) const {
    return profile_.note_spacing_mm * (midi - profile_.FirstMidi());
  }

  void AddPlacements() {
    for (auto& placement : placement_blocks_) {
      double* block = placement.data();
      problem_.AddParameterBlock(block, kPlacementSize);
      for (int i = 0; i < 6; ++i) {
        problem_.AddResidualBlock(
            PriorOf<kPlacementSize>(i, 0.0,
                                    i < 3 ? options_.placement_rotation_sigma_rad
                                          : options_.placement_position_sigma_mm),
            nullptr, block);
      }
      problem_.AddResidualBlock(PriorOf<kPlacementSize>(kFirstDepth, options_.ring_depth_mm,
                                                        options_.ring_depth_sigma_mm),
                                nullptr, block);
      problem_.AddResidualBlock(
          PriorOf<kPlacementSize>(kFirstDepth + 1, 0.0, options_.pole_depth_sigma_mm), nullptr,
          block);
      problem_.AddResidualBlock(
          PriorOf<kPlacementSize>(kBlockTop, BlockTop().mean, BlockTop().sigma), nullptr, block);
    }
  }

  void AddPhoto(std::size_t i) {
    const PhotoObservations& photo = photos_[i];
    const auto placement = static_cast<std::size_t>(photo.placement);
    double* photo_block = photo_blocks_[i].data();
    double* placement_block = placement_blocks_[placement].data();
    views_.push_back(std::make_unique<HarpView>(
        HarpView{photo.pose.camera_from_rig, placements_[placement], photo.camera,
                 photo.pose.focal_scale, photo.pose.principal_point_shift_px}));
    const HarpView& view = *views_.back();
    problem_.AddResidualBlock(PhotoPriorCost(photo.pose.covariance), nullptr, photo_block);
    for (int depth = kPoseSize; depth < kFirstShift; ++depth) {
      problem_.AddResidualBlock(
          PriorOf<kPhotoSize>(depth, 0.0, options_.ring_depth_per_photo_sigma_mm), nullptr,
          photo_block);
    }
    const std::array<double, kRingKinds> ring_sigmas_px = MeanRingSigmas(photo);
    for (int k = 0; k < 2 * kRingKinds; ++k) {
      const double sigma_px =
          options_.ring_shift_share * ring_sigmas_px[static_cast<std::size_t>(k / 2)];
      problem_.AddResidualBlock(PriorOf<kPhotoSize>(kFirstShift + k, 0.0, sigma_px), nullptr,
                                photo_block);
    }
    problem_.AddResidualBlock(PriorOf<kPhotoSize>(kTipShift, 0.0, options_.tip_shift_sigma_mm),
                              nullptr, photo_block);
    problem_.AddResidualBlock(PriorOf<kPhotoSize>(kBlockShift, 0.0, options_.block_shift_sigma_mm),
                              nullptr, photo_block);
    for (const NoteObservation& seen : photo.notes) {
      const auto found = notes_.find(seen.midi);
      if (found == notes_.end() || !found->second.photos.contains(i)) continue;
      NoteBlock& note = found->second;
      double* state = note.state.data();
      const auto add = [&](ceres::CostFunction* cost) {
        problem_.AddResidualBlock(cost, Robust(), photo_block, placement_block, state);
      };
      if (seen.pole) add(RingCenterCost(view, *seen.pole, RingKind::kPole));
      if (seen.flange) add(RingCenterCost(view, *seen.flange, RingKind::kFlange));
      for (const AxisPoint& p : seen.axis) add(TineAxisCost(view, p));
      if (seen.tip) {
        problem_.AddResidualBlock(TineTipCost(view, *seen.tip),
                                  new ceres::CauchyLoss(options_.end_cauchy), photo_block,
                                  placement_block, state);
      }
      if (seen.block_edge) {
        problem_.AddResidualBlock(
            BlockEdgeCost(view, *seen.block_edge, note.profile->tine_length_mm),
            new ceres::CauchyLoss(options_.end_cauchy), photo_block, placement_block, state,
            &note.length_change_mm);
      }
      for (const AxisPoint& p : seen.tone_bar) {
        problem_.AddResidualBlock(ToneBarCost(view, p, note.ToneBarMiddleZ()), Robust(),
                                  photo_block, placement_block, note.tone_bar.data());
      }
    }
  }

  void AddNotePriors() {
    const PriorUncertainty& u = profile_.prior_u;
    for (auto& [midi, note] : notes_) {
      double* state = note.state.data();
      const auto add = [&](int index, double mean, double sigma, bool robust) {
        problem_.AddResidualBlock(PriorOf<SolvedNote::kCount>(index, mean, sigma),
                                  robust ? Robust() : nullptr, state);
      };
      // Robust where instruments have outliers: a pickup out of line, a crooked tine.
      add(SolvedNote::kX, NominalX(midi), u.pickup_position_mm, true);
      add(SolvedNote::kY, 0.0, u.pickup_position_mm, true);
      add(SolvedNote::kZ, 0.0, u.pickup_position_mm, true);
      add(SolvedNote::kLateral, 0.0, u.lateral_mm, true);
      add(SolvedNote::kHeight, note.profile->height_mm, u.height_mm, true);
      add(SolvedNote::kGap, note.profile->gap_mm, u.gap_mm, true);
      add(SolvedNote::kYaw, 0.0, u.tine_yaw_deg * kRadPerDeg, true);
      add(SolvedNote::kPitch, 0.0, u.tine_pitch_deg * kRadPerDeg, true);
      add(SolvedNote::kRecess, 0.0, u.pole_protrusion_mm, false);
      if (note.has_block_edge) {
        problem_.AddResidualBlock(PriorOf<1>(0, 0.0, u.tine_length_mm), nullptr,
                                  &note.length_change_mm);
      }
      if (!note.has_tone_bar) continue;
      const double bar_sigma[4] = {1.5, 3.0, u.tone_bar_yaw_deg * kRadPerDeg,
                                   u.tone_bar_pitch_deg * kRadPerDeg};
      const double bar_mean[4] = {NominalX(midi), note.profile->height_mm + 8.0, 0.0, 0.0};
      for (int i = 0; i < 4; ++i) {
        problem_.AddResidualBlock(PriorOf<4>(i, bar_mean[i], bar_sigma[i]),
                                  i == 2 ? Robust() : nullptr, note.tone_bar.data());
      }
    }
  }

  /// Sum of the whitened squared residuals over the degrees of freedom, robust losses applied.
  [[nodiscard]] double VarianceFactor() {
    double cost = 0.0;
    ceres::Problem::EvaluateOptions options;
    problem_.Evaluate(options, &cost, nullptr, nullptr, nullptr);
    const int freedom = problem_.NumResiduals() - problem_.NumParameters();
    return freedom > 0 ? 2.0 * cost / freedom : 1.0;
  }

  void FillTransforms(HarpSolution& solution) const {
    const auto moved = [](const Eigen::Isometry3d& start, const double* change) {
      const Eigen::Vector3d turn(change[0], change[1], change[2]);
      Eigen::Isometry3d result = start;
      if (turn.norm() > 0.0) {
        result.linear() =
            Eigen::AngleAxisd(turn.norm(), turn.normalized()).toRotationMatrix() * start.linear();
      }
      result.translation() += Eigen::Vector3d(change[3], change[4], change[5]);
      return result;
    };
    for (std::size_t k = 0; k < placements_.size(); ++k) {
      solution.rig_from_harp.push_back(moved(placements_[k], placement_blocks_[k].data()));
      solution.ring_depths_mm.emplace_back(placement_blocks_[k][kFirstDepth],
                                           placement_blocks_[k][kFirstDepth + 1]);
    }
    for (std::size_t i = 0; i < photos_.size(); ++i) {
      const double* block = photo_blocks_[i].data();
      solution.camera_from_harp.push_back(
          moved(photos_[i].pose.camera_from_rig, block) *
          solution.rig_from_harp[static_cast<std::size_t>(photos_[i].placement)]);
      const Eigen::Vector2d shift =
          photos_[i].pose.principal_point_shift_px + Eigen::Vector2d(block[7], block[8]);
      solution.cameras.push_back(
          photos_[i].camera.Adjusted(photos_[i].pose.focal_scale + block[6], shift.x(), shift.y()));
    }
  }

  /// A pickup that is seen beside its place leaves the tine's axis where it is: what its center
  /// gains, lateral and height lose.
  void AddLight(Eigen::Matrix<double, SolvedNote::kCount, SolvedNote::kCount>& covariance) const {
    using N = SolvedNote;
    const double variance = options_.ring_light_sigma_mm * options_.ring_light_sigma_mm;
    for (const auto& [center, offset] : {std::pair{N::kX, N::kLateral}, {N::kY, N::kHeight}}) {
      covariance(center, center) += variance;
      covariance(offset, offset) += variance;
      covariance(center, offset) -= variance;
      covariance(offset, center) -= variance;
    }
  }

  /// Those that the problem has, always in the same order.
  [[nodiscard]] std::vector<double*> Blocks() {
    std::vector<double*> blocks;
    const auto add = [&](double* block) {
      if (problem_.HasParameterBlock(block)) blocks.push_back(block);
    };
    for (auto& placement : placement_blocks_) add(placement.data());
    for (auto& photo : photo_blocks_) add(photo.data());
    for (auto& [midi, note] : notes_) {
      add(note.state.data());
      add(note.tone_bar.data());
      add(&note.length_change_mm);
    }
    return blocks;
  }

  /// Of each note's state and, after it, of its tone bar, where it has one; then of the placements.
  [[nodiscard]] Result<CovarianceEstimate> NotesCovariance() {
    std::map<const double*, int> first_columns;
    const std::vector<double*> blocks = Blocks();
    int columns = 0;
    for (const double* block : blocks) {
      first_columns[block] = columns;
      columns += problem_.ParameterBlockSize(block);
    }
    CovarianceOptions options;
    const auto want = [&](const double* block) {
      for (int i = 0; i < problem_.ParameterBlockSize(block); ++i) {
        options.parameters.push_back(first_columns.at(block) + i);
      }
    };
    for (const auto& [midi, note] : notes_) {
      want(note.state.data());
      if (note.has_tone_bar) want(note.tone_bar.data());
    }
    for (const auto& placement : placement_blocks_) want(placement.data());
    const Linearized linearized = Linearize(problem_, blocks);
    return EstimateCovariance(linearized.jacobian, linearized.residuals, options);
  }

  /// Of the turn about y of the row of pickups against the rig, in the placement where it is least
  /// known: of the row's slope in depth less the placement's turn. Neither is known by itself, as
  /// the row is what holds the harp's frame.
  [[nodiscard]] double RowTurnCofactor(const Eigen::MatrixXd& cofactor) const {
    Eigen::VectorXd by_parameter = Eigen::VectorXd::Zero(cofactor.rows());  // ∂ turn / ∂ parameter
    double mean_x = 0.0;
    for (const auto& [midi, note] : notes_) mean_x += NominalX(midi);
    mean_x /= static_cast<double>(notes_.size());
    double spread = 0.0;
    Eigen::Index next = 0;
    for (const auto& [midi, note] : notes_) {
      const double x = NominalX(midi) - mean_x;
      by_parameter(next + SolvedNote::kZ) = x;
      spread += x * x;
      next += note.Parameters();
    }
    if (spread <= 0.0) return 0.0;  // one pickup is no row
    by_parameter /= spread;
    double most = 0.0;
    for (const Eigen::Isometry3d& rig_from_harp : placements_) {
      by_parameter.segment<3>(next) = -rig_from_harp.linear().col(1);
      most = std::max(most, by_parameter.dot(cofactor * by_parameter));
      by_parameter.segment<3>(next).setZero();
      next += kPlacementSize;
    }
    return most;
  }

  [[nodiscard]] Result<void> FillNotes(HarpSolution& solution) {
    const Result<CovarianceEstimate> estimate = NotesCovariance();
    if (!estimate) {
      return Fail("the photos do not determine the harp: " + estimate.error().message);
    }
    const double factor = solution.CovarianceFactor();
    solution.row_turn_u_rad = std::sqrt(factor * RowTurnCofactor(estimate->cofactor));
    Eigen::Index next = 0;  // of the estimate's rows
    for (auto& [midi, note] : notes_) {
      SolvedNote solved;
      solved.midi = midi;
      solved.photos = static_cast<int>(note.photos.size());
      solved.state =
          Eigen::Map<const Eigen::Matrix<double, SolvedNote::kCount, 1>>(note.state.data());
      constexpr int kStates = SolvedNote::kCount;
      solved.covariance = factor * estimate->cofactor.block<kStates, kStates>(next, next);
      next += kStates;
      AddLight(solved.covariance);
      solved.has_tone_bar = note.has_tone_bar;
      if (note.has_tone_bar) {
        solved.tone_bar = Eigen::Map<const Eigen::Vector4d>(note.tone_bar.data());
        solved.tone_bar_covariance =
            solution.ToneBarFactor() * estimate->cofactor.block<4, 4>(next, next);
        next += 4;
      }
      solution.notes.push_back(solved);
    }
    return {};
  }

  const std::vector<PhotoObservations>& photos_;
  const InstrumentProfile& profile_;
  const std::vector<Eigen::Isometry3d>& placements_;
  HarpSolveOptions options_;
  std::vector<std::unique_ptr<HarpView>> views_;
  std::vector<std::array<double, kPhotoSize>> photo_blocks_;
  std::vector<std::array<double, kPlacementSize>> placement_blocks_;
  std::map<int, NoteBlock> notes_;
  ceres::Problem problem_;
};

}  // namespace

Result<void> HarpSolveOptions::Validate() const {
  const std::initializer_list<std::pair<const char*, double>> above_0 = {
      {"placement_position_sigma_mm", placement_position_sigma_mm},
      {"placement_rotation_sigma_rad", placement_rotation_sigma_rad},
      {"ring_depth_sigma_mm", ring_depth_sigma_mm},
      {"pole_depth_sigma_mm", pole_depth_sigma_mm},
      {"ring_depth_per_photo_sigma_mm", ring_depth_per_photo_sigma_mm},
      {"ring_shift_share", ring_shift_share},
      {"tip_shift_sigma_mm", tip_shift_sigma_mm},
      {"usual_block_top_sigma_mm", usual_block_top_sigma_mm},
      {"block_top_sigma_mm", block_top_sigma_mm},
      {"block_shift_sigma_mm", block_shift_sigma_mm},
      {"end_cauchy", end_cauchy},
      {"huber", huber}};
  for (const auto& [name, value] : above_0) {
    if (!std::isfinite(value) || value <= 0.0) {
      return Fail(std::string("HarpSolveOptions: ") + name + " must be above 0");
    }
  }
  if (!std::isfinite(ring_light_sigma_mm) || ring_light_sigma_mm < 0.0) {
    return Fail("HarpSolveOptions: ring_light_sigma_mm must be 0 or above");
  }
  if (!std::isfinite(ring_depth_mm) || !std::isfinite(usual_block_top_mm)) {
    return Fail("HarpSolveOptions: ring_depth_mm and usual_block_top_mm must be numbers");
  }
  return {};
}

Result<HarpSolution> SolveHarp(const std::vector<PhotoObservations>& photos,
                               const InstrumentProfile& profile,
                               const std::vector<Eigen::Isometry3d>& rig_from_harp,
                               const HarpSolveOptions& options) {
  if (auto valid = options.Validate(); !valid) return tl::unexpected<Error>(valid.error());
  if (photos.empty()) return Fail("no photo to solve from");
  HarpProblem problem(photos, profile, rig_from_harp, options);
  return problem.Solve();
}

}  // namespace tinesight
