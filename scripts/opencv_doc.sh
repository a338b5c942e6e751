#!/usr/bin/env bash
# Prints the folder that holds the chessboard photographs left01.jpg … right14.jpg of Debian's
# package opencv-doc, against whose published intrinsics the calibration is tested. They are taken
# out of the package file without installing it (274 MB, and many systems leave documentation
# out); the second run finds them in build/opencv-doc.
set -euo pipefail

cd "$(dirname "${BASH_SOURCE[0]}")/.."
folder="$PWD/build/opencv-doc"
# left01 to left14, right01 to right14, each without number 10.
expected_photos=26

count_photos() {
  find "$1" -maxdepth 1 \( -name 'left[0-9][0-9].jpg' -o -name 'right[0-9][0-9].jpg' \) 2>/dev/null |
    wc -l
}

if [[ "$(count_photos "$folder")" -eq "$expected_photos" ]]; then
  echo "$folder"
  exit 0
fi

mkdir -p build
work="$(mktemp -d build/opencv-doc.XXXXXX)"
trap 'rm -rf "$work"' EXIT

# All talk goes to stderr: stdout is the folder's name alone.
download() {
  (cd "$work" && apt-get -q -o APT::Sandbox::User=root -o Acquire::Retries=3 download opencv-doc) >&2
}
if ! download; then
  echo "opencv_doc.sh: no package list yet, or an old one; updating it" >&2
  as_root=()
  if [[ $EUID -ne 0 ]]; then as_root=(sudo); fi
  "${as_root[@]}" apt-get -q update >&2 || true
  download
fi

mkdir "$work/photos"
dpkg-deb --fsys-tarfile "$work"/opencv-doc_*.deb |
  tar -x -C "$work/photos" --wildcards --transform='s|.*/||' \
    '*/left[0-9][0-9].jpg' '*/right[0-9][0-9].jpg' '*/left_intrinsics.yml'
if [[ "$(count_photos "$work/photos")" -ne "$expected_photos" ]]; then
  echo "opencv_doc.sh: the package opencv-doc does not hold the $expected_photos photographs" >&2
  exit 1
fi
rm -rf "$folder"
mv "$work/photos" "$folder"
echo "$folder"
