#include "alignment/harp_frame.hpp"

#include <algorithm>
#include <cmath>
#include <set>

#include "alignment/note_name.hpp"
#include "alignment/robust.hpp"

namespace tinesight {
namespace {

constexpr std::size_t kFewNotes = 6;
// Below this a scatter is arithmetic, not measuring.
constexpr double kLeastScatterMm = 1e-6;
constexpr double kLeastScatterRad = 1e-8;
constexpr double kLargestSineOutOfSquare = 0.5;

std::string Place(int midi) { return "note " + std::to_string(midi) + " (" + NoteName(midi) + ")"; }

Result<void> CheckInput(const std::vector<MeasuredPickup>& pickups,
                        const std::vector<MeasuredToneBar>& tone_bars) {
  if (pickups.empty())
    return Fail("harp frame: no pickup was measured; take a photo that shows them");
  std::set<int> seen;
  for (const MeasuredPickup& pickup : pickups) {
    if (!pickup.center_input_mm.allFinite()) {
      return Fail("harp frame: the pickup of " + Place(pickup.midi) + " has no finite place");
    }
    if (!seen.insert(pickup.midi).second) {
      return Fail("harp frame: the pickup of " + Place(pickup.midi) + " is given twice");
    }
  }
  seen.clear();
  for (const MeasuredToneBar& bar : tone_bars) {
    if (!bar.direction_input.allFinite() || bar.direction_input.norm() < 1e-12) {
      return Fail("harp frame: the tone bar of " + Place(bar.midi) + " has no direction");
    }
    if (!seen.insert(bar.midi).second) {
      return Fail("harp frame: the tone bar of " + Place(bar.midi) + " is given twice");
    }
  }
  return {};
}

double LeastScale(std::size_t notes, double usual, double floor) {
  return notes < kFewNotes ? usual : floor;
}

// The row of the pickups, as a robust line of the center against the note number.
struct Row {
  RobustLine line;
  Eigen::VectorXd notes_from_origin;
  Eigen::MatrixXd centers_mm;  // one a row, input frame
  Eigen::Vector3d direction = Eigen::Vector3d::UnitX();
  double middle = 0.0;        // weighted mean of notes_from_origin
  double spread = 0.0;        // weighted sum of squares about it
  Eigen::Vector3d center_mm;  // of the row at `middle`
};

Row FitRow(const std::vector<MeasuredPickup>& pickups, const HarpFrameOptions& options) {
  Row row;
  const auto count = static_cast<Eigen::Index>(pickups.size());
  row.notes_from_origin.resize(count);
  row.centers_mm.resize(count, 3);
  for (Eigen::Index i = 0; i < count; ++i) {
    const MeasuredPickup& pickup = pickups[static_cast<std::size_t>(i)];
    row.notes_from_origin(i) = pickup.midi - options.origin_midi;
    row.centers_mm.row(i) = pickup.center_input_mm.transpose();
  }
  const double least = LeastScale(pickups.size(), options.pickup_scatter_mm, kLeastScatterMm);
  row.line = FitRobustLine(row.notes_from_origin, row.centers_mm, count > 1, least);
  if (count > 1) row.direction = row.line.slope.normalized();
  const Eigen::VectorXd& weights = row.line.weights;
  row.middle = weights.dot(row.notes_from_origin) / weights.sum();
  row.spread = (weights.array() * (row.notes_from_origin.array() - row.middle).square()).sum();
  row.center_mm = row.line.offset + row.middle * row.line.slope;
  return row;
}

// Yaw and pitch of the bars about a first guess of the mean direction.
struct BarMean {
  RobustLine line;
  Eigen::Vector3d direction = Eigen::Vector3d::UnitZ();
};

// An orthonormal pair square to `z`, the first as near to `x` as can be.
Eigen::Matrix3d FrameAbout(const Eigen::Vector3d& x, const Eigen::Vector3d& z) {
  Eigen::Matrix3d axes;
  axes.col(2) = z.normalized();
  axes.col(1) = z.cross(x).normalized();
  axes.col(0) = axes.col(1).cross(axes.col(2));
  return axes;
}

BarMean FitBars(const std::vector<MeasuredToneBar>& tone_bars, const Eigen::Vector3d& row_direction,
                const HarpFrameOptions& options) {
  BarMean mean;
  if (tone_bars.empty()) return mean;
  Eigen::Vector3d guess = Eigen::Vector3d::Zero();
  for (const MeasuredToneBar& bar : tone_bars) guess += bar.direction_input.normalized();
  if (guess.norm() < 1e-6) guess = tone_bars.front().direction_input;
  const Eigen::Matrix3d axes = FrameAbout(row_direction, guess);
  const auto count = static_cast<Eigen::Index>(tone_bars.size());
  Eigen::MatrixXd angles(count, 2);
  for (Eigen::Index i = 0; i < count; ++i) {
    const Eigen::Vector3d d =
        axes.transpose() * tone_bars[static_cast<std::size_t>(i)].direction_input;
    angles.row(i) << std::atan2(d.x(), d.z()), std::atan2(d.y(), d.z());
  }
  const double least = LeastScale(tone_bars.size(), options.tone_bar_scatter_rad, kLeastScatterRad);
  mean.line = FitRobustLine(Eigen::VectorXd::Zero(count), angles, false, least);
  mean.direction =
      (axes * Eigen::Vector3d(std::tan(mean.line.offset(0)), std::tan(mean.line.offset(1)), 1.0))
          .normalized();
  return mean;
}

// Where the pickup of note 0 stands along the row, by the profile's spacing.
RobustLine FitOriginAlongRow(const Row& row, const HarpFrameOptions& options) {
  const Eigen::VectorXd along =
      row.centers_mm * row.direction - options.note_spacing_mm * row.notes_from_origin;
  const auto count = static_cast<std::size_t>(along.size());
  return FitRobustLine(row.notes_from_origin, along, false,
                       LeastScale(count, options.pickup_scatter_mm, kLeastScatterMm));
}

// The even spacing that fits best: the row's own where many notes tell it, the profile's where
// few do. Both count by their inverse variances.
double FittedSpacing(const Row& row, const HarpFrameOptions& options) {
  if (row.notes_from_origin.size() < 2) return options.note_spacing_mm;
  const double information = row.spread / (row.line.scale * row.line.scale);
  const double prior = 1.0 / (options.note_spacing_u_mm * options.note_spacing_u_mm);
  return (information * row.line.slope.norm() + prior * options.note_spacing_mm) /
         (information + prior);
}

// Deviations of the pickups in the harp frame from an evenly spaced row through their middle.
void AddPickupDeviations(const std::vector<MeasuredPickup>& pickups, const Row& row,
                         HarpFrame& frame) {
  for (std::size_t i = 0; i < pickups.size(); ++i) {
    const auto k = static_cast<Eigen::Index>(i);
    const double along_mm = (row.notes_from_origin(k) - row.middle) * frame.fitted_note_spacing_mm;
    const Eigen::Vector3d nominal = row.center_mm + along_mm * row.direction;
    PickupDeviation deviation;
    deviation.midi = pickups[i].midi;
    deviation.deviation_harp_mm =
        frame.harp_from_input.linear() * (pickups[i].center_input_mm - nominal);
    deviation.used = row.line.weights(k) > 0.0;
    frame.pickups.push_back(deviation);
  }
}

void AddToneBarDeviations(const std::vector<MeasuredToneBar>& tone_bars, const BarMean& mean,
                          HarpFrame& frame) {
  for (std::size_t i = 0; i < tone_bars.size(); ++i) {
    const Eigen::Vector3d d = frame.harp_from_input.linear() * tone_bars[i].direction_input;
    frame.tone_bars.push_back({tone_bars[i].midi, std::atan2(d.x(), d.z()),
                               std::atan2(d.y(), d.z()),
                               mean.line.weights(static_cast<Eigen::Index>(i)) > 0.0});
  }
}

// Standard uncertainty of the row's direction from the scatter of its pickups.
double RowDirectionU(const Row& row, const HarpFrameOptions& options) {
  const Eigen::ArrayXd k = row.notes_from_origin.array();
  const double lever_mm = std::sqrt((k - k.mean()).square().sum()) * options.note_spacing_mm;
  return lever_mm > 0.0 ? row.line.effective_scale / lever_mm : 0.0;
}

// The same of the bars' mean.
double BarDirectionU(const BarMean& mean) {
  const auto bars = static_cast<double>(mean.line.weights.size());
  return bars > 0.0 ? mean.line.effective_scale / std::sqrt(bars) : 0.0;
}

// The turn about y that row and bars agree on: what each says, by its inverse variance.
struct TurnAboutY {
  double from_row_rad = 0.0;  // from x along the row
  double u_rad = 0.0;
};

TurnAboutY AgreeOnTurn(const Row& row, const BarMean& mean, const Eigen::Matrix3d& axes_by_row,
                       const HarpFrameOptions& options) {
  const double u_row = std::hypot(RowDirectionU(row, options), options.row_slope_u_rad);
  if (options.row_slope_u_rad <= 0.0 || mean.line.weights.size() == 0) return {0.0, u_row};
  const double u_bars = std::hypot(BarDirectionU(mean), options.out_of_square_u_rad);
  const Eigen::Vector3d bars = axes_by_row.transpose() * mean.direction;
  const double share = u_row * u_row / (u_row * u_row + u_bars * u_bars);
  return {share * std::atan2(bars.x(), bars.z()), std::sqrt(share) * u_bars};
}

void AddUncertainty(const Row& row, const BarMean& mean, const TurnAboutY& turn,
                    const RobustLine& along, const HarpFrameOptions& options, HarpFrame& frame) {
  const auto pickups = static_cast<double>(row.line.weights.size());
  frame.pickup_scatter_mm = row.line.effective_scale;
  frame.tone_bar_scatter_rad = mean.line.weights.size() > 0 ? mean.line.effective_scale : 0.0;
  frame.u_rotation_rad << BarDirectionU(mean), turn.u_rad, RowDirectionU(row, options);
  const double u_across = row.line.effective_scale / std::sqrt(pickups);
  frame.u_origin_mm << along.effective_scale / std::sqrt(pickups), u_across, u_across;
}

}  // namespace

Result<void> HarpFrameOptions::Validate() const {
  const std::pair<const char*, double> fields[] = {{"note_spacing_mm", note_spacing_mm},
                                                   {"pickup_scatter_mm", pickup_scatter_mm},
                                                   {"tone_bar_scatter_rad", tone_bar_scatter_rad},
                                                   {"note_spacing_u_mm", note_spacing_u_mm},
                                                   {"out_of_square_u_rad", out_of_square_u_rad}};
  for (const auto& [name, value] : fields) {
    if (!(value > 0.0) || !std::isfinite(value)) {
      return Fail(std::string("harp frame: ") + name + " is " + std::to_string(value) +
                  "; it must be above 0");
    }
  }
  if (!(row_slope_u_rad >= 0.0) || !std::isfinite(row_slope_u_rad)) {
    return Fail("harp frame: row_slope_u_rad is " + std::to_string(row_slope_u_rad) +
                "; it must be 0 or above");
  }
  return {};
}

Result<HarpFrame> FitHarpFrame(const std::vector<MeasuredPickup>& pickups,
                               const std::vector<MeasuredToneBar>& tone_bars,
                               const HarpFrameOptions& options) {
  if (const Result<void> valid = options.Validate(); !valid) return tl::unexpected(valid.error());
  if (const Result<void> valid = CheckInput(pickups, tone_bars); !valid) {
    return tl::unexpected(valid.error());
  }
  const Row row = FitRow(pickups, options);
  const BarMean mean = FitBars(tone_bars, row.direction, options);
  if (std::abs(row.direction.dot(mean.direction)) > kLargestSineOutOfSquare) {
    return Fail(
        "harp frame: the row of pickups and the tone bars are not square to each other; check "
        "--first-note and that the rig stands as in its drawing");
  }
  HarpFrame frame;
  // x is the row itself and z gives way, so that the bars' common yaw can't turn the row.
  Eigen::Matrix3d harp_axes;
  harp_axes.col(0) = row.direction;
  harp_axes.col(1) = mean.direction.cross(row.direction).normalized();
  harp_axes.col(2) = harp_axes.col(0).cross(harp_axes.col(1));
  // Unless the row's slope in depth is in doubt: then both give way.
  const TurnAboutY turn = AgreeOnTurn(row, mean, harp_axes, options);
  harp_axes = harp_axes * Eigen::AngleAxisd(turn.from_row_rad, Eigen::Vector3d::UnitY());

  const RobustLine along = FitOriginAlongRow(row, options);
  Eigen::Vector3d origin = row.center_mm;
  origin += (along.offset(0) - origin.dot(row.direction)) * row.direction;
  frame.harp_from_input.linear() = harp_axes.transpose();
  frame.harp_from_input.translation() = -(harp_axes.transpose() * origin);

  frame.fitted_note_spacing_mm = FittedSpacing(row, options);
  AddPickupDeviations(pickups, row, frame);
  AddToneBarDeviations(tone_bars, mean, frame);
  AddUncertainty(row, mean, turn, along, options, frame);
  if (pickups.size() == 1) {
    frame.warnings.emplace_back(
        "only one pickup was measured: the direction of the row is taken from the rig");
  }
  if (tone_bars.empty()) {
    frame.warnings.emplace_back("no tone bar was measured: their direction is taken from the rig");
  }
  return frame;
}

}  // namespace tinesight
