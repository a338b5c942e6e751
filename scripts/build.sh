#!/usr/bin/env bash
# Configures and builds one preset. Usage: scripts/build.sh [release|debug] [TARGET...]
set -euo pipefail

cd "$(dirname "${BASH_SOURCE[0]}")/.."
preset="${1:-release}"
shift || true

if [[ ! "$preset" =~ ^(release|debug)$ ]]; then
  echo "build.sh: there is no preset '$preset'; choose release or debug" >&2
  exit 2
fi

# Configuring anew costs a few seconds, so it is left to ninja once it has been done.
if [[ ! -f "build/$preset/build.ninja" ]]; then
  cmake --preset "$preset"
fi
cmake --build --preset "$preset" ${1:+--target "$@"}
