#!/usr/bin/env bash
# Formats our sources with clang-format, or with --check only tells which ones are not formatted.
set -euo pipefail

cd "$(dirname "${BASH_SOURCE[0]}")/.."
mode=(-i)
case "${1:-}" in
  "") ;;
  --check) mode=(--dry-run --Werror) ;;
  *)
    echo "Usage: scripts/format.sh [--check]" >&2
    exit 2
    ;;
esac

# Tracked files and new ones alike, but nothing that git ignores (builds).
git ls-files -z --cached --others --exclude-standard -- '*.cpp' '*.hpp' |
  while IFS= read -r -d '' file; do
    if [[ -f "$file" ]]; then printf '%s\0' "$file"; fi
  done | xargs -0 --no-run-if-empty clang-format "${mode[@]}"
