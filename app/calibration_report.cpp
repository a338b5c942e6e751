#include "app/calibration_report.hpp"

#include <algorithm>
#include <array>
#include <iomanip>
#include <iostream>
#include <sstream>
#include <string>

#include "calibration/angle.hpp"

namespace tinesight {
namespace {

void PrintPhotoTable(const Survey& survey) {
  std::size_t width = 5;
  for (const auto& photo : survey.photos) width = std::max(width, photo.name.size());
  const auto name_column = static_cast<int>(width) + 2;
  std::cout << std::left << std::setw(name_column) << "photo" << std::right
            << " tags points left-out  rms px  covered  distance  focal scale  edge growth µm\n";
  for (const SurveyPhotoReport& photo : survey.photos) {
    std::cout << std::left << std::setw(name_column) << photo.name << std::right << std::setw(5)
              << photo.tags << std::setw(7) << photo.points;
    if (!photo.used) {
      std::cout << "  not used: it " << photo.reason << '\n';
      continue;
    }
    std::cout << std::setw(9) << photo.rejected << std::fixed << std::setprecision(2)
              << std::setw(8) << photo.rms_px << std::setprecision(0) << std::setw(7)
              << 100.0 * photo.coverage.Share() << " %" << std::setw(7) << photo.distance_mm
              << " mm" << std::setprecision(2) << std::showpos << std::setw(11)
              << 100.0 * (photo.pose.focal_scale - 1.0) << " %" << std::setprecision(0);
    for (const double growth_mm : photo.pose.edge_growth_mm) {
      std::cout << std::setw(8) << 1000.0 * growth_mm;
    }
    std::cout << std::noshowpos
              << (photo.residual_flagged   ? "  residual stands out"
                  : photo.rejected_flagged ? "  many marks don't fit"
                                           : "")
              << '\n';
  }
}

void PrintCoverage(const Survey& survey) {
  std::cout << "\nimage covered: " << std::fixed << std::setprecision(0)
            << 100.0 * survey.coverage.Share()
            << " % of the cells (. none, + some, # many marks)\n";
  for (int row = 0; row < CoverageMap::kRows; ++row) {
    std::cout << "  ";
    for (int column = 0; column < CoverageMap::kColumns; ++column) {
      const int marks =
          survey.coverage.marks[static_cast<std::size_t>(row * CoverageMap::kColumns + column)];
      std::cout << (marks == 0 ? '.' : marks < 20 ? '+' : '#') << ' ';
    }
    std::cout << '\n';
  }
}

void PrintCamera(const Survey& survey) {
  const Camera& c = survey.camera;
  const auto& u = *c.standard_uncertainty;
  const auto number = [](const char* name, double value, double uncertainty, int digits,
                         const std::string& unit) {
    std::cout << "  " << std::left << std::setw(4) << name << std::right << std::fixed
              << std::setprecision(digits) << std::setw(11) << value << " ± " << uncertainty << unit
              << '\n';
  };
  std::cout << "\ncamera (± standard uncertainty)\n";
  // Every photo has its own focus, and fx is their mean: its uncertainty is no photo's.
  std::ostringstream focus;
  focus << " px (at the mean focus of these photos; single photos scatter by ± " << std::fixed
        << std::setprecision(1) << 100.0 * survey.focal_scale_scatter << " %)";
  number("fx", c.fx_px, u[0], 2, focus.str());
  number("fy", c.fy_px, u[1], 2, " px (likewise)");
  number("cx", c.cx_px, u[2], 2, " px");
  number("cy", c.cy_px, u[3], 2, " px");
  const std::array<const char*, 5> names = {"k1", "k2", "p1", "p2", "k3"};
  for (std::size_t k = 0; k < 5; ++k) number(names[k], c.distortion[k], u[4 + k], 5, "");
}

void PrintRig(const Survey& survey) {
  double largest = 0.0;
  double sum = 0.0;
  for (const RigTag& tag : survey.rig.tags) {
    largest = std::max(largest, tag.u_mm);
    sum += tag.u_mm / static_cast<double>(survey.rig.tags.size());
  }
  std::cout << "\nrig: " << survey.rig.tags.size() << " tags, " << survey.rig.points.size()
            << " saddle points, standard uncertainty of a tag's corner " << std::setprecision(3)
            << sum << " mm in the mean, " << largest << " mm at most\n";
  for (std::size_t bar = 0; bar < survey.bars.size(); ++bar) {
    const Survey::Placement& p = survey.placement[bar];
    std::cout << "  " << survey.bars[bar] << ": " << std::setprecision(2) << std::showpos
              << p.shift_mm.x() << ", " << p.shift_mm.y() << ", " << p.shift_mm.z()
              << std::noshowpos << " mm and " << p.turn_rad * kDegPerRad
              << "° off the rig file; print scale " << std::setprecision(4) << p.scale.x()
              << " along\n";
  }
}

}  // namespace

void PrintSurvey(const Survey& survey) {
  PrintPhotoTable(survey);
  PrintCoverage(survey);
  PrintCamera(survey);
  PrintRig(survey);
  std::cout << "\nresidual " << std::setprecision(3) << survey.rms_px
            << " px rms; viewing directions differ by up to " << std::setprecision(0)
            << survey.tilt_rad * kDegPerRad << "°; principal points scatter by "
            << std::setprecision(1) << survey.principal_shift_sigma_px << " px\n";
  for (const std::string& warning : survey.warnings) std::cout << "warning: " << warning << '\n';
  for (const std::string& suggestion : survey.suggestions) {
    std::cout << "would help: " << suggestion << '\n';
  }
}

}  // namespace tinesight
