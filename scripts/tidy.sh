#!/usr/bin/env bash
# Runs clang-tidy over our own sources, with the flags of the release build.
#
# Usage: scripts/tidy.sh [--budget SECONDS] [FILE.cpp...]
#
# A file that passed is not looked at again until it, a header of ours that it includes, or
# .clang-tidy changes (memory in the user's cache folder). The files that were changed last come
# first. With --budget, no file is begun after that time; the files left out are counted, and are
# not a failure: a new machine has no memory, and what was changed long ago was looked at then.
set -euo pipefail

cd "$(dirname "${BASH_SOURCE[0]}")/.."
root="$PWD"
database=build/release
memory="${XDG_CACHE_HOME:-$HOME/.cache}/tinesight/tidy"

# Changes with everything of ours that the verdict on a file depends on. Headers of libraries are
# left out (-MG takes what it can't find for granted); they change with the distribution only.
fingerprint() {
  local file="$1" part
  {
    clang-tidy --version | grep -i version
    cat .clang-tidy CMakeLists.txt
    g++ -std=c++20 -MM -MG -I "$root" -DTINESIGHT_SOURCE_DIR='""' "$file" | tr -d '\\\n' |
      tr ' ' '\n' | { grep -E '\.(cpp|hpp)$' || true; } | sort -u |
      while IFS= read -r part; do
        if [[ -f "$part" ]]; then cat "$part"; fi
      done
  } | sha256sum | cut -d' ' -f1
}

# One file; run by xargs below in a process of its own.
if [[ "${1:-}" == --one ]]; then
  file="$2"
  deadline="$3"
  key="$(fingerprint "$file")"
  if [[ -f "$memory/$key" ]]; then exit 0; fi
  if [[ "$(date +%s)" -ge "$deadline" ]]; then
    echo "$file" >>"$left_out"
    exit 0
  fi
  # Standard output has the findings; standard error only counts what was suppressed.
  if output="$(clang-tidy --quiet -p "$database" "$file" 2>"/tmp/tidy_stderr.$$")"; then
    rm -f "/tmp/tidy_stderr.$$"
    touch "$memory/$key"
    exit 0
  fi
  printf '%s\n' "$output"
  grep -E 'error' "/tmp/tidy_stderr.$$" || true
  rm -f "/tmp/tidy_stderr.$$"
  echo "tidy.sh: findings in $file"
  exit 1
fi

budget=1000000
if [[ "${1:-}" == --budget ]]; then
  budget="$2"
  shift 2
fi
if [[ "${1:-}" == -* ]]; then
  echo "Usage: scripts/tidy.sh [--budget SECONDS] [FILE.cpp...]" >&2
  exit 2
fi
if [[ ! -f "$database/compile_commands.json" ]]; then
  cmake --preset release >/dev/null
fi
mkdir -p "$memory"

deadline=$(($(date +%s) + budget))
left_out="$(mktemp)"
trap 'rm -f "$left_out"' EXIT
export left_out
if [[ $# -gt 0 ]]; then
  printf '%s\0' "$@"
else
  # Only what the database knows how to compile. Not yet committed files, the last commit's, the
  # one's before, …: each once.
  {
    git ls-files --others --modified --exclude-standard -- '*.cpp'
    git log --format= --name-only -- '*.cpp'
    git ls-files -- '*.cpp'
  } | awk '!seen[$0]++' | while IFS= read -r file; do
    if grep -qF "\"$root/$file\"" "$database/compile_commands.json"; then printf '%s\0' "$file"; fi
  done
fi | xargs -0 --no-run-if-empty -I{} -P "$(nproc)" scripts/tidy.sh --one {} "$deadline"
echo "clang-tidy: no findings; files left out for lack of time: $(wc -l <"$left_out")"
