#include <algorithm>
#include <cctype>
#include <cmath>

#include "calibration/formatted.hpp"
#include "vision/photo.hpp"

namespace tinesight {
namespace {

/// Two files of one phone state its focal length alike but for rounding (6.86 or 6.9 mm).
constexpr double kFocalTolerance = 0.02;
/// Zoom factors are written with two digits; below this it is 1.
constexpr double kNoZoom = 1.005;

bool SameText(std::string_view a, std::string_view b) {
  return std::equal(a.begin(), a.end(), b.begin(), b.end(), [](unsigned char x, unsigned char y) {
    return std::tolower(x) == std::tolower(y);
  });
}

/// Both known and different. A missing tag means unknown, never equal and never different.
bool Differ(const std::string& a, const std::string& b) {
  return !a.empty() && !b.empty() && !SameText(a, b);
}

std::string SizeText(int width_px, int height_px) {
  return std::to_string(width_px) + "×" + std::to_string(height_px);
}

std::string NameOf(const std::string& make, const std::string& model) {
  if (make.empty()) return model;
  return model.empty() ? make : make + " " + model;
}

/// Empty when the sizes agree.
std::string SizeComplaint(int width_px, int height_px, const Camera& camera) {
  if (width_px == camera.width_px && height_px == camera.height_px) return {};
  const std::string sizes = SizeText(width_px, height_px) + " px, the calibration is for " +
                            SizeText(camera.width_px, camera.height_px) + " px";
  if (width_px == camera.height_px && height_px == camera.width_px) {
    return "is turned by 90° (" + sizes +
           "); hold the phone as for the calibration photos, or calibrate this way up";
  }
  const double ratio = static_cast<double>(width_px) / camera.width_px;
  if (std::abs(height_px - ratio * camera.height_px) <= 1.0) {
    return "was " + std::string(ratio < 1.0 ? "scaled down" : "taken at another resolution") +
           " (" + sizes + "); use the phone's own file at the resolution of the calibration";
  }
  return "does not belong to this calibration (" + sizes +
         "); use the phone's own uncropped file, or calibrate for this size";
}

}  // namespace

CameraExif CameraExifOf(const ExifSummary& exif) {
  return {exif.make, exif.model, exif.lens, exif.focal_length_mm};
}

Result<void> CheckPhotoMatchesCamera(const Photo& photo, const Camera& camera) {
  const std::string where = photo.file.string();
  const std::string size = SizeComplaint(photo.bgr.cols, photo.bgr.rows, camera);
  // Said before the size, where both differ: another phone explains another size.
  if (camera.exif && (Differ(photo.exif.make, camera.exif->make) ||
                      Differ(photo.exif.model, camera.exif->model))) {
    return Fail(where + ": was taken with " + NameOf(photo.exif.make, photo.exif.model) +
                ", the calibration is for " + NameOf(camera.exif->make, camera.exif->model) +
                (size.empty() ? "" : ", and the size differs too") +
                "; name the camera file of this phone, or calibrate it");
  }
  if (!size.empty()) return Fail(where + ": " + size);
  if (photo.exif.digital_zoom && *photo.exif.digital_zoom > kNoZoom) {
    return Fail(where + ": was taken with a digital zoom of " +
                Formatted("%.4g", *photo.exif.digital_zoom) + "; take it again without zoom");
  }
  if (!camera.exif) return {};
  if (Differ(photo.exif.lens, camera.exif->lens)) {
    return Fail(where + ": was taken with the lens \"" + photo.exif.lens +
                "\", the calibration is for \"" + camera.exif->lens +
                "\"; use the same lens of the phone, with its close-up mode off");
  }
  if (photo.exif.focal_length_mm && camera.exif->focal_length_mm) {
    const double ratio = *photo.exif.focal_length_mm / *camera.exif->focal_length_mm;
    if (!(std::abs(ratio - 1.0) <= kFocalTolerance)) {
      return Fail(where + ": was taken at a focal length of " +
                  Formatted("%.4g", *photo.exif.focal_length_mm) + " mm, the calibration is for " +
                  Formatted("%.4g", *camera.exif->focal_length_mm) +
                  " mm; use the same lens of the phone, without zoom");
    }
  }
  return {};
}

}  // namespace tinesight
