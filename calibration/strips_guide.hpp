#pragma once

// For strips_pdf.cpp only: the page that tells the technician what to do with the sheets.
#include "calibration/pdf_canvas.hpp"
#include "calibration/strips.hpp"

namespace tinesight {

/// Draws the instructions, the side view of the rig and the cautions into `body`.
void DrawGuide(PdfCanvas& canvas, const RectangleMm& body, int pieces_per_strip);

}  // namespace tinesight
