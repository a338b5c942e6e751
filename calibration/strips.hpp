#pragma once

#include <array>
#include <optional>
#include <string>
#include <vector>

#include "calibration/error.hpp"
#include "calibration/rig.hpp"

namespace tinesight {

// The printed strips of the phone rig, as drawn. All lengths are mm on the paper at 1:1 and, for
// the bars, mm in the rig frame (+x toward treble, +y up as played, which is down in a photo and
// down on the sheet, +z from mount to pickup). Sheet and photo agree: x to the right, y down.
inline constexpr int kTagsPerStrip = 20;
inline constexpr int kPointsPerStrip = kTagsPerStrip + 1;  ///< one at each end of every tag
inline constexpr double kTagSideMm = 12.0;                 ///< black square, border included
inline constexpr double kTagPitchMm = 18.0;
inline constexpr double kStripHeightMm = 18.0;
inline constexpr double kStripLengthMm = 368.0;  ///< 20 pitches and 4 mm of white at each end
inline constexpr double kSaddleSideMm = 2.0;     ///< side of each of a saddle point's two squares

inline constexpr double kCardTagSideMm = 9.0;
inline constexpr double kCardSideMm = 12.0;       ///< white square that carries the card's tag
inline constexpr double kCardNameHeightMm = 5.0;  ///< flap with its name, folded behind the bar

/// Length of the check lines on every page.
inline constexpr double kCheckLineMm = 100.0;

/// One of the rig's two bars: which tags its strip carries and where the strip's middle is.
struct StripBar {
  const char* name;
  int first_id;  ///< of the tags and, likewise, of the saddle points
  double y_mm;
  double z_mm;
};

inline constexpr StripBar kPickupBar{"pickup bar", 0, -25.0, 30.0};
inline constexpr StripBar kMountBar{"mount bar", 40, 17.0, -205.0};
inline constexpr std::array<StripBar, 2> kStripBars{kPickupBar, kMountBar};

/// x of tag `index` (0–19) and of saddle point `index` (0–20), from the strip's middle.
[[nodiscard]] constexpr double TagCenterXMm(int index) { return (index - 9.5) * kTagPitchMm; }
[[nodiscard]] constexpr double SaddleXMm(int index) { return (index - 10) * kTagPitchMm; }

/// An upright rectangle on the paper: top-left corner, width, height.
struct RectangleMm {
  double x_mm = 0.0;
  double y_mm = 0.0;
  double width_mm = 0.0;
  double height_mm = 0.0;
};

/// A closed outline on the paper.
using OutlineMm = std::vector<Eigen::Vector2d>;

/// The outlines of a 36h11 tag (OpenCV's DICT_APRILTAG_36h11) with its top-left corner at (0, 0).
/// Black is what the even-odd rule fills; no outline runs between two cells of the same color, so
/// that no renderer can leave a hairline there. Precondition: 0 <= id < 587.
[[nodiscard]] std::vector<OutlineMm> TagOutlines(int id, double side_mm);

/// The two black squares of a saddle point at (0, 0): upper left and lower right of it.
[[nodiscard]] std::array<RectangleMm, 2> SaddleSquares();

/// A stretch of a strip that is printed in one piece, in x from the strip's middle. Cuts lie
/// between a saddle point's squares and the next tag, so that no mark is ever cut.
struct StripPiece {
  double begin_mm = 0.0;
  double end_mm = 0.0;
};

/// Cuts the strip into the fewest pieces of about equal length that fit in `usable_mm` with a glue
/// tab of `tab_mm` on all but the last. Fails where not even a piece of one pitch fits.
[[nodiscard]] Result<std::vector<StripPiece>> CutStrip(double usable_mm, double tab_mm);

/// The scale of the print: what the caliper read, and how sure each part is.
struct StripOptions {
  std::optional<double> measured_along_mm;   ///< caliper reading of the check line along the strip
  std::optional<double> measured_across_mm;  ///< and of the one across it; 95 to 105 mm
  /// Standard uncertainty of a caliper reading of the check line, mm: setting the jaws on printed
  /// lines by eye, not the caliper's own error.
  double reading_u_mm = 0.05;
  /// Relative standard uncertainty of the printer's scale where there is no reading. Printers and
  /// "fit to page" are off by some tenths of a percent and more.
  double unread_scale_u = 0.005;
  /// Standard uncertainty of a mark from cutting, joining and gluing, mm. How the two bars stand to
  /// each other is not in it: `tinesight calibrate` surveys that.
  double placement_u_mm = 0.1;

  [[nodiscard]] Result<void> Validate() const;
};

/// The rig exactly as drawn (every u_mm is StripOptions' placement_u_mm).
[[nodiscard]] Rig NominalRig();

/// The rig as printed: distances from each strip's middle are scaled by reading / 100 mm (along to
/// x, across to y), and every mark's u_mm is sqrt(placement² + (scale_u_x · dx)² + (scale_u_y ·
/// dy)²), with dx, dy the farthest distance of the mark from the strip's middle and scale_u the
/// reading's relative uncertainty, or unread_scale_u without one. The scale's part is common to
/// all marks of a strip; a solver that takes the u_mm as independent is optimistic about scale.
[[nodiscard]] Result<Rig> PrintedRig(const StripOptions& options = {});

}  // namespace tinesight
