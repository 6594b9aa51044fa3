#!/bin/sh
# Makes an offline bundle: one archive with every wheel, the install script, units and settings. It suits machines
# with the same Python version, system and processor as the one it is made on; the archive's name says which.
#
#   make-bundle.sh [OUT_FOLDER]        needs the package index once, here; PYTHON names another Python
set -eu

root=$(cd "$(dirname "$0")/.." && pwd)
out=${1:-"$root/dist"}
python=${PYTHON:-python3}
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

"$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "make-bundle.sh: needs Python 3.11 or newer." >&2; exit 2; }
mkdir -p "$out" "$work/wheels"
"$python" -m pip wheel --quiet --disable-pip-version-check --wheel-dir "$work/wheels" "$root[collector,tls,postgresql]"
version=$(basename "$(ls "$work"/wheels/ebbmark-*.whl)" | cut -d- -f2)
tag=$("$python" -c 'import platform, sys, sysconfig; print("py%d%d-%s" % (*sys.version_info[:2], sysconfig.get_platform().replace("-", "_")))')
name="ebbmark-$version-$tag"

mkdir "$work/$name"
mv "$work/wheels" "$work/$name/wheels"
for part in install.sh uninstall.sh README.md agent.toml collector.toml systemd proxy endpoint-security.md; do
  cp -r "$root/deploy/$part" "$work/$name/"
done
(cd "$work/$name/wheels" && sha256sum -- *.whl >SHA256SUMS)
tar -C "$work" --sort=name --owner=0 --group=0 --numeric-owner -czf "$out/$name.tar.gz" "$name"
echo "$out/$name.tar.gz"
