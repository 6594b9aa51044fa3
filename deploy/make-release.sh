#!/bin/sh
# Makes a release in a folder: wheel and sdist, a lock with the hash of everything a full installation brings, its
# bill of materials (CycloneDX JSON) from an environment installed by that lock, and checksums of it all.
# The lock and the bill hold for this system and this Python version.
#
#   make-release.sh [OUT_FOLDER]       PYTHON names a Python with build, pip-tools and cyclonedx-bom
set -eu

root=$(cd "$(dirname "$0")/.." && pwd)
out=${1:-"$root/dist"}
python=${PYTHON:-python3}
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

mkdir -p "$out"
"$python" -m build --outdir "$out" "$root" >"$work/build.log" 2>&1 || { cat "$work/build.log" >&2; exit 1; }

(cd "$root" && "$python" -m piptools compile --quiet --strip-extras --generate-hashes --allow-unsafe --no-header \
  --no-emit-index-url --no-emit-find-links --no-emit-trusted-host --no-emit-options \
  --extra collector --extra postgresql --extra tls --extra apprise \
  --output-file "$out/requirements.lock" pyproject.toml)

"$python" -m venv "$work/installed"
"$work/installed/bin/python" -m pip install --quiet --disable-pip-version-check --require-hashes -r "$out/requirements.lock"
"$work/installed/bin/python" -m pip install --quiet --disable-pip-version-check --no-deps "$out"/ebbmark-*.whl
"$python" -m cyclonedx_py environment --pyproject "$root/pyproject.toml" --output-reproducible --of JSON \
  --output-file "$out/ebbmark.cdx.json" "$work/installed/bin/python"

(cd "$out" && rm -f SHA256SUMS && sha256sum -- * >"$work/sums" && mv "$work/sums" SHA256SUMS)
ls "$out"
