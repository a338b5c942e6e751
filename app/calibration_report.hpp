#pragma once

#include "calibration/survey.hpp"

namespace tinesight {

/// Prints on stdout how well each photo fits, what of the picture is covered, the camera and the
/// rig with their uncertainties, and what further photo would help.
void PrintSurvey(const Survey& survey);

}  // namespace tinesight
