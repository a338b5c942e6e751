#!/usr/bin/env bash
# The demo: installs what is missing, builds, prints the rig's strips, calibrates the phone from
# the sample photos of the rig, measures the whole sample instrument from its photos into a service
# record, and writes its report with pictures, tables and a 3D model.
#
# Usage: scripts/demo.sh [OUTPUT_FOLDER]     (demo_out if not given)
set -euo pipefail

if [[ "${1:-}" == -* ]]; then
  sed -n '2,6s/^# \{0,1\}//p' "${BASH_SOURCE[0]}"
  exit 2
fi
output="$(realpath -m "${1:-$(dirname "${BASH_SOURCE[0]}")/../demo_out}")"
cd "$(dirname "${BASH_SOURCE[0]}")/.."

mkdir -p build "$output"
echo "Installing and building (minutes the first time, seconds later)"
if ! { scripts/install_packages.sh && scripts/build.sh release tinesight; } >build/demo-build.log 2>&1; then
  tail -n 40 build/demo-build.log >&2
  echo "demo.sh: the build failed; build/demo-build.log has all of it" >&2
  exit 1
fi
tinesight=build/release/app/tinesight
samples=sample_images

# Prints a command as a person would type it, then runs it.
run() {
  printf '\n$ '
  printf '%s ' "${@/#"$PWD"\//}"
  printf '\n'
  "$@"
}

# 1. The strips to print, and the rig file of the sample rig's own print: its check lines read
# 99.85 mm along and 99.90 mm across (sample_images/README.md).
run "$tinesight" strips --measured-along 99.85 --measured-across 99.90 \
  --pdf "$output/strips.pdf" --rig "$output/rig_nominal.json"

# 2. The phone and the rig as they are, from photos of the rig alone.
run "$tinesight" calibrate "$samples"/rig/*.jpg --rig "$output/rig_nominal.json" \
  --camera-out "$output/camera.json" --rig-out "$output/rig.json"

# 3. Every note of the instrument, from two photos of each register, into a service record. A visit
# can be in a record once, so the demo begins a new one each time.
rm -f "$output/harp.tinerec"
run "$tinesight" measure "$samples"/harp/*.jpg --camera "$output/camera.json" \
  --rig "$output/rig.json" --instrument "$samples/instrument.json" --damper harp-raised \
  --record "$output/harp.tinerec" --visit "as found" \
  --json "$output/result.json" --csv "$output/result.csv" --overlays "$output/overlays"

# 4. What the technician would write down at the bench, invented here as the instrument is.
run "$tinesight" note "$output/harp.tinerec" --type "73-note tine piano, demonstration" \
  --owner "Demonstration workshop"
run "$tinesight" note "$output/harp.tinerec" --note E1 --spring heavy --place rear
run "$tinesight" note "$output/harp.tinerec" --note F1 --spring heavy --doubled --place rear
run "$tinesight" note "$output/harp.tinerec" --note "C#2" --seat loose --text "turns by hand"
run "$tinesight" note "$output/harp.tinerec" --visit "as found" \
  --attach "$samples/harp/r1_left.jpg" --caption "the low register with the rig clamped on"

# 5. The report for the owner, with a picture of each note, the record as tables, and the measured
# harp as a 3D model that other programs open.
run "$tinesight" report "$output/harp.tinerec" --visit "as found" --pdf "$output/report.pdf" \
  --images "$output/alignment_images" --json "$output/record.json" --csv "$output/record.csv" \
  --model "$output/model"

# 6. What the ear will notice, and what centering one tine would do, to listen to.
run "$tinesight" tone "$output/harp.tinerec"
run "$tinesight" what-if "$output/harp.tinerec" --note "F#1" --lateral 0 --wav "$output/sounds"

cat <<END

Everything is in $output:
  strips.pdf                                the strips and register cards to print at 1:1
  rig_nominal.json, rig.json, camera.json   the rig as drawn, as surveyed, and the phone's camera
  result.json, result.csv                   every note with its uncertainty
  overlays/                                 each photo with what was found drawn on it
  harp.tinerec                              the service record with the visit "as found"
  report.pdf                                the report for the owner
  alignment_images/                         each note's photo, cross-section and figures
  record.json, record.csv                   all of the record
  model/harp.ply, model/harp.gltf           the measured harp as a 3D model
  sounds/                                   F#1 as it stands and centered: predicted, to listen to
END
