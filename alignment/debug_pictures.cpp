#include "alignment/debug_pictures.hpp"

#include <algorithm>
#include <cstddef>
#include <string>

#include "calibration/file_io.hpp"

namespace tinesight {
namespace {

/// How many photos of the request up to this one have its name; they lie in different folders.
int CountOfName(const MeasureRequest& request, std::size_t index) {
  const auto own = request.photos.begin() + static_cast<std::ptrdiff_t>(index);
  const auto same_name = [&](const auto& file) { return file.stem() == own->stem(); };
  return 1 + static_cast<int>(std::count_if(request.photos.begin(), own, same_name));
}

/// In the words of DrawDebug() (vision/tine_detection.cpp) and DetectNotes(), which it must match.
constexpr std::string_view kDebugLegend =
    R"(What these pictures show
========================

One picture a photo and note, PHOTO_MIDI.png: the note's tine as the last look at that photo saw
it. MIDI is the note's number as in a MIDI file (middle C, C4, is 60). A number behind it (_2) is
that of another photo of the same name.

The photo was made straight along the place where the tine was expected:
  down     from 1 mm behind the pickup's face (top edge) to the mount, 8 px a mm
  across   square to the tine and to the line of sight, treble at the right, 40 px a mm
A tine just where it was expected stands upright in the middle, widened five times. Expected is
where all photos together put it after a first look; without that, in front of its pickup.

green        points of the tine's two outlines that its fit used
red          points found beside them that the fit left out: no part of these outlines
light blue   the chosen line, the tine's axis, every 2 mm: after the fit, neighbors, what the tine
             hides and the network that reads rods have moved it
magenta      three bars across the line where an end was found: the place, and its standard
             uncertainty to either side. Near the top the tine's end; farther down where the block's
             upper edge crosses the tine. No bars: no end stood out.

A note that came out wrong
  The light blue line is not on the tine: what is it on? A spring, an edge of the tone bar, the next
  note's tine, a highlight? Green points along that thing say what was taken for the outlines.
  Light blue runs beside the middle of the green points: outlines and network disagree; the stated
  uncertainty should be large.
  Few green points, many red ones: little of the tine stood out; glare, blur or no contrast.
  Magenta off the tine's end or the block's edge: gap, height and pitch are off.
  No picture of the note: its pickup could not be made out, too little of its tine is in view, or
  nothing of the tine's width stood out in front of the pickup.
)";

}  // namespace

Result<void> WriteDebugPicture(const MeasureRequest& request, std::size_t index, int midi,
                               std::string_view png) {
  const int count = CountOfName(request, index);
  std::string name = request.photos[index].stem().string() + "_" + std::to_string(midi);
  if (count > 1) name.append("_").append(std::to_string(count));
  return WriteFileAtomically(*request.debug_dir / (name + ".png"), png);
}

Result<void> WriteDebugLegend(const std::filesystem::path& debug_dir) {
  return WriteFileAtomically(debug_dir / "README.txt", kDebugLegend);
}

}  // namespace tinesight
