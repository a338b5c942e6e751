#!/usr/bin/env bash
# Installs the Debian packages of packages.txt that are missing. With all of them there it ends at
# once and needs neither root nor network.
set -euo pipefail

scripts_dir="$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)"

if ! command -v dpkg-query >/dev/null || ! command -v apt-get >/dev/null; then
  echo "install_packages.sh: this is no Debian system; install by hand what" \
    "$scripts_dir/packages.txt lists" >&2
  exit 1
fi

mapfile -t wanted < <(sed -e 's/#.*//' -e 's/[[:space:]]//g' -e '/^$/d' "$scripts_dir/packages.txt")

# dpkg-query exits 1 for every unknown package; which ones are missing is read off its output.
installed="$(dpkg-query --show --showformat='${Package} ${db:Status-Status}\n' "${wanted[@]}" \
  2>/dev/null || true)"
missing=()
for package in "${wanted[@]}"; do
  if ! grep -qx "$package installed" <<<"$installed"; then
    missing+=("$package")
  fi
done
if [[ ${#missing[@]} -eq 0 ]]; then
  exit 0
fi

as_root=()
if [[ $EUID -ne 0 ]]; then
  if ! command -v sudo >/dev/null; then
    echo "install_packages.sh: run as root, or install sudo; missing: ${missing[*]}" >&2
    exit 1
  fi
  as_root=(sudo)
fi

echo "Installing ${#missing[@]} Debian packages: ${missing[*]}"
"${as_root[@]}" env DEBIAN_FRONTEND=noninteractive apt-get -q -o Acquire::Retries=3 update ||
  echo "install_packages.sh: not every package list could be updated; going on" >&2
"${as_root[@]}" env DEBIAN_FRONTEND=noninteractive apt-get -q -y -o Acquire::Retries=3 \
  -o Dpkg::Use-Pty=0 install --no-install-recommends "${missing[@]}"
