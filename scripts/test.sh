#!/usr/bin/env bash
# Installs what is missing, builds, and runs the tests: all of them in the release build, the unit
# tests once more with AddressSanitizer and UndefinedBehaviorSanitizer in the debug build.
#
# Usage: scripts/test.sh [--only release|debug] [ctest arguments, e.g. -R Pose]
# With sanitizers a test is a whole program: --only debug -R rig_pose_test.
set -euo pipefail

cd "$(dirname "${BASH_SOURCE[0]}")/.."

presets=(debug release)
if [[ "${1:-}" == --only ]]; then
  if [[ ! "${2:-}" =~ ^(release|debug)$ ]]; then
    echo "test.sh: --only takes release or debug" >&2
    exit 2
  fi
  presets=("$2")
  shift 2
elif [[ "${1:-}" == --help || "${1:-}" == -h ]]; then
  sed -n '2,7s/^# \{0,1\}//p' "${BASH_SOURCE[0]}"
  exit 0
fi

scripts/install_packages.sh
TINESIGHT_OPENCV_DOC="$(scripts/opencv_doc.sh)"
export TINESIGHT_OPENCV_DOC

# Both presets are tried even when the first one fails, so that one run tells all.
status=0
summary=()
for preset in "${presets[@]}"; do
  log="build/$preset-ctest.log"
  if ! scripts/build.sh "$preset"; then
    summary+=("$preset: does not build")
    status=1
    continue
  fi
  if ! ctest --preset "$preset" --parallel "$(nproc)" "$@" 2>&1 | tee "$log"; then
    status=1
  fi
  closing_line="$(grep -E '^[0-9]+% tests passed' "$log" || echo "no test was run")"
  summary+=("$preset: $closing_line")
  # A choice such as -R may fit tests of the release build alone; anything else must have run some.
  if [[ "$closing_line" == "no test was run" && ($# -eq 0 || ${#presets[@]} -eq 1) ]]; then
    status=1
  fi
done

echo
printf '%s\n' "${summary[@]}"
# The release build's own line once more, alone and last: it counts every test.
if [[ "${presets[-1]}" == release ]]; then
  grep -E '^[0-9]+% tests passed' build/release-ctest.log || true
fi
exit "$status"
