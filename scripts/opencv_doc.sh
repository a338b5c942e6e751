#!/bin/sh
# Prints the folder that holds the chessboard photographs of Debian's opencv-doc package, which
# tests/calibration_published_test.cpp reads. Where the package is installed that is its own
# folder; else (or where dpkg leaves documentation out) the package is fetched and unpacked into a
# cache. Usage: TINESIGHT_OPENCV_DOC=$(scripts/opencv_doc.sh [CACHE_FOLDER])
set -eu
installed=/usr/share/doc/opencv-doc/examples/data
if [ -f "$installed/left01.jpg" ]; then
  echo "$installed"
  exit 0
fi
cache=${1:-${XDG_CACHE_HOME:-$HOME/.cache}/tinesight/opencv-doc}
data=$cache/usr/share/doc/opencv-doc/examples/data
if [ ! -f "$data/left01.jpg" ]; then
  mkdir -p "$cache"
  fetch=$(mktemp -d "$cache/fetch.XXXXXX")
  trap 'rm -rf "$fetch"' EXIT
  (cd "$fetch" && apt-get download opencv-doc >&2) || {
    echo "opencv_doc.sh: apt-get download opencv-doc failed; run apt-get update first" >&2
    exit 1
  }
  # 300 MB unpacked, of which a few hundred kB are wanted.
  dpkg-deb --fsys-tarfile "$fetch"/opencv-doc_*.deb |
    tar -C "$fetch" -x --wildcards './usr/share/doc/opencv-doc/examples/data/left*' \
      './usr/share/doc/opencv-doc/examples/data/right*'
  mkdir -p "$cache/usr/share/doc/opencv-doc/examples"
  rm -rf "$data"
  mv "$fetch/usr/share/doc/opencv-doc/examples/data" "$data"
fi
echo "$data"
