#!/usr/bin/env bash
# For maintainers: renews deploy/requirements.lock and deploy/requirements-dev.lock from pyproject.toml.
#
#   bash deploy/lock.sh              the newest releases that pyproject.toml allows
#   bash deploy/lock.sh msgspec      the same locks, with this one package renewed
#
# uv does the resolving (one lock for every platform and for Python 3.11 to 3.13); it comes from the
# package index into a folder of its own under build/. Nothing else here needs it.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

tools=build/lock-tools
[ -x "$tools/bin/uv" ] || { python3 -m venv "$tools" && "$tools/bin/python" -m pip install --quiet uv; }

# Behind a proxy with its own certificate authority, uv reads the bundle from SSL_CERT_FILE; pip's setting is taken.
if [ -z "${SSL_CERT_FILE:-}" ] && [ -n "${PIP_CERT:-}" ]; then export SSL_CERT_FILE="$PIP_CERT"; fi

renew=(--upgrade)
if [ "$#" -gt 0 ]; then renew=(); for package in "$@"; do renew+=(--upgrade-package "$package"); done; fi

# --fork-strategy fewest: the same release on every Python, so that a result never depends on which one it is.
compile() {
  local out=$1
  shift
  "$tools/bin/uv" pip compile --quiet --universal --python-version 3.11 --fork-strategy fewest --generate-hashes \
    --no-emit-index-url --no-header "$@" --output-file "$out" pyproject.toml
  echo "renewed $out"
}

compile deploy/requirements.lock --extra build "${renew[@]}"
compile deploy/requirements-dev.lock --extra build --extra dev --constraint deploy/requirements.lock "${renew[@]}"
