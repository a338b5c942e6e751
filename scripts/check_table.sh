#!/usr/bin/env bash
# Writes the table "Checked against the outside" of tests/README.md from what the tests recorded,
# or with --check only compares: the committed table must name the same checks with the same
# published values (our own values may differ in their last digits from machine to machine).
#
# Usage: scripts/check_table.sh [--check] [FOLDER]     (build/release/checks if not given)
set -euo pipefail

cd "$(dirname "${BASH_SOURCE[0]}")/.."
check=false
if [[ "${1:-}" == --check ]]; then
  check=true
  shift
elif [[ "${1:-}" == -* ]]; then
  sed -n '2,6s/^# \{0,1\}//p' "${BASH_SOURCE[0]}"
  exit 2
fi
folder="${1:-build/release/checks}"
readme=tests/README.md
begin='<!-- checks: begin -->'
end='<!-- checks: end -->'

if ! compgen -G "$folder/*.tsv" >/dev/null; then
  echo "check_table.sh: $folder has no recorded checks; run the tests first" >&2
  exit 1
fi

# Rows by source, and within a source as their tests recorded them.
table() {
  echo '| source | what | value there | ours | difference | allowed | test |'
  echo '| --- | --- | --- | --- | --- | --- | --- |'
  LC_ALL=C sort -s -t $'\t' -k 1,1 "$folder"/*.tsv |
    awk -F '\t' '{
      kind = $3 == "" ? "" : " (" $3 ")"
      printf "| %s%s | %s | %s | %s | %s | %s | `%s` |\n", $1, kind, $2, $4, $5, $6, $7, $8
    }'
}

# What must agree: source, what, published value, test.
names() { awk -F ' *\\| *' '{ print $2 "|" $3 "|" $4 "|" $8 }'; }

committed() { sed -n "/^$begin\$/,/^$end\$/p" "$readme" | grep '^|'; }

if $check; then
  if ! diff <(committed | names) <(table | names); then
    echo "check_table.sh: tests/README.md names other checks than the tests made (< it, > they);" \
      "run scripts/check_table.sh, or empty $folder and run the tests again" >&2
    exit 1
  fi
  exit 0
fi

{
  sed "/^$begin\$/q" "$readme"
  echo
  table
  echo
  sed -n "/^$end\$/,\$p" "$readme"
} >"$readme.new"
mv "$readme.new" "$readme"
echo "$readme: $(table | tail -n +3 | wc -l) checks"
