#pragma once

#include <Eigen/Core>
#include <Eigen/Geometry>
#include <array>
#include <string>
#include <vector>

#include "calibration/camera.hpp"
#include "calibration/error.hpp"
#include "calibration/rig.hpp"
#include "calibration/rig_observation.hpp"
#include "calibration/rig_pose.hpp"

namespace tinesight {

inline constexpr int kLeastSurveyPhotos = 5;

/// What one photo of the rig shows.
struct SurveyPhoto {
  std::string name;
  RigObservations observations;
};

struct SurveyOptions {
  int width_px = 0;                  ///< of every photo
  int height_px = 0;                 ///< of every photo
  double focal_px = 0.0;             ///< start value; 0: unknown, tried from 18 to 80 mm equivalent
  double focal_scale_sigma = 0.015;  ///< prior of a photo's focal scale (autofocus), 0 … 0.1
  /// Most that the photos' principal points may scatter (stabilisation), standard deviation,
  /// 0 … 100; how much they do is found from the photos.
  double principal_shift_sigma_px = 4.0;
  /// How far a mark may stand out of its strip's plane (waves of the paper, a bent bar), standard
  /// uncertainty, mm. In the plane the rig file's u_mm tells.
  double flatness_u_mm = 0.2;
  double outlier_sigmas = 5.0;  ///< marks further off are left out
  /// False: solve as long as it can be solved, for a first rough pass whose camera only serves to
  /// find more marks.
  bool refuse_poor_sets = true;
  int threads = 1;
  [[nodiscard]] Result<void> Validate() const;
};

/// The image divided into cells, row by row from the top left, and how many marks of the rig lie
/// in each. A lens is only known where marks were seen.
struct CoverageMap {
  static constexpr int kColumns = 8;
  static constexpr int kRows = 6;
  std::array<int, kColumns * kRows> marks{};

  void Add(const Eigen::Vector2d& position_px, int width_px, int height_px);
  void Add(const CoverageMap& other);
  [[nodiscard]] double Share() const;  ///< of the cells that hold a mark, 0 … 1
};

struct SurveyPhotoReport {
  std::string name;
  bool used = false;
  std::string reason;             ///< why it was not used
  int tags = 0;                   ///< tags of the rig found
  int points = 0;                 ///< saddle points found
  int rejected = 0;               ///< marks (a tag's corner or a saddle point) left out as outliers
  bool residual_flagged = false;  ///< rms far above that of the other photos
  bool rejected_flagged = false;  ///< too many left out for a misread tag or two
  double rms_px = 0.0;
  CoverageMap coverage;
  double focal_scale_u = 0.0;
  double distance_mm = 0.0;  ///< from the camera to the middle of the rig
  /// Pose, focal scale, principal point and edge growth by bar (covariance is not filled), for
  /// finding more marks in this photo.
  RigPose pose;
};

struct Survey {
  Camera camera;  ///< with standard_uncertainty; exif is the caller's to fill
  /// The rig as it is. Tag corners are those of the drawn square: growth of the edges is removed,
  /// so that corners and saddle points agree. u_mm is that of the shape, free of the frame's and
  /// the common scale's uncertainty (Baarda's S-transformation onto the marks themselves).
  Rig rig;
  std::vector<std::string> bars;  ///< names, in the order of edge_growth_mm and of `placement`
  /// Where each bar stands relative to the nominal rig: turn and shift of its middle.
  struct Placement {
    Eigen::Vector3d shift_mm = Eigen::Vector3d::Zero();
    double turn_rad = 0.0;
    Eigen::Vector2d scale{1.0, 1.0};  ///< of the print along and across, vs. the rig file
  };
  std::vector<Placement> placement;
  std::vector<SurveyPhotoReport> photos;  ///< in the order given
  CoverageMap coverage;
  double tilt_rad = 0.0;  ///< largest angle between the viewing directions of two photos
  double rms_px = 0.0;
  /// Standard deviation of the photos' focal scales (autofocus). The camera's focal length is that
  /// of their mean, and its uncertainty is of that mean only: a single photo's is this far off.
  double focal_scale_scatter = 0.0;
  double principal_shift_sigma_px = 0.0;  ///< how far the photos' principal points scatter
  double corner_noise = 1.0;              ///< found over stated sigma_px of the tags' corners
  double point_noise = 1.0;               ///< likewise of the saddle points
  std::vector<std::string> suggestions;   ///< which further photo would help, most useful first
  std::vector<std::string> warnings;
};

/// Calibrates the camera and surveys the rig in one bundle adjustment. `nominal` is the rig file
/// that `strips` wrote or any other list of tags: the marks of one bar are taken to lie to each
/// other as it says, within u_mm, and the bars to each other anywhere near. The scale is the
/// prints'; the frame is the pickup bar's.
///
/// Leaves out, with the reason in its report: a photo that shows fewer than six tags, and one whose
/// focal scale stands more than 5 % off the photos' median.
///
/// Refuses, with the reason: fewer than five usable photos, one bar only, less than 40 % of the
/// image covered, viewing directions within 10°, or a focal length that remains uncertain by more
/// than 1 %.
[[nodiscard]] Result<Survey> SurveyRig(const std::vector<SurveyPhoto>& photos, const Rig& nominal,
                                       const SurveyOptions& options);

/// Which further photo would help.
[[nodiscard]] std::vector<std::string> SuggestPhotos(const Survey& survey);

/// The parts of the image that hold no mark, as a person says it ("lower-left corner"); a ninth of
/// the image counts when at least half of its cells are empty.
[[nodiscard]] std::vector<std::string> EmptyRegions(const CoverageMap& coverage);

}  // namespace tinesight
