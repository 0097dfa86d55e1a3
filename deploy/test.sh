#!/usr/bin/env bash
# Every check of the project, in the order of the quickest to fail. Stops at the first that fails and says what to do.
#
#   bash deploy/test.sh                        all but the long checks
#   bash deploy/test.sh --deep                 the long ones too; further arguments go to pytest
#   bash deploy/test.sh tests/house -k wheel
#
# Needs Python 3.11 or newer, Node 18 or newer with npm (the independent validators run on it), nginx and systemd-analyze
# (they check deploy/proxy.conf and deploy/drainledger.service) and, the first time, a package index. As root on Debian,
# what is missing is installed with apt-get.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
# shellcheck source=deploy/lib.sh
. deploy/lib.sh

# stage NAME WHAT-TO-DO COMMAND...
stage() {
  local name=$1 advice=$2
  shift 2
  say "== $name"
  "$@" || fail "stage '$name' failed" "$advice"
}

node_is_new_enough() { node -e 'process.exit(parseInt(process.versions.node) < 18 ? 1 : 0)' 2>/dev/null; }

ensure_node() {
  if ! command -v node >/dev/null || ! command -v npm >/dev/null; then
    apt_install "the validators need Node 18 or newer, with npm" nodejs npm
  fi
  node_is_new_enough || fail "needs Node 18 or newer, and found $(node --version)" "Put a newer one first on PATH."
}

# systemd-analyze needs no running systemd; nginx is started by the tests alone, on free ports of loopback.
ensure_system_linters() {
  PATH=$PATH:/usr/sbin command -v nginx >/dev/null ||
    apt_install "deploy/proxy.conf is checked by nginx itself, which is not installed" nginx-light
  command -v systemd-analyze >/dev/null ||
    apt_install "deploy/drainledger.service is checked by systemd-analyze, which is not installed" systemd
}

install_node_packages() {
  [ -f tests/node/package-lock.json ] || fail "tests/node/package-lock.json is missing" "It is part of the repository: restore it."
  local stamp=tests/node/node_modules/.installed
  up_to_date "$stamp" tests/node/package-lock.json && return
  npm ci --prefix tests/node --no-audit --no-fund --loglevel=error && hash_of tests/node/package-lock.json >"$stamp"
}

ensure_venv
install_locked deploy/requirements-dev.lock
stage "node" "The validators in tests/node need Node 18 or newer, with npm." ensure_node
stage "node packages" "See npm's message above; 'rm -r tests/node/node_modules' starts afresh." install_node_packages

stage "nginx, systemd" "Both are Debian packages: nginx-light (or nginx), systemd." ensure_system_linters

bin=.venv/bin
stage "ruff check" "Many findings mend themselves: $bin/ruff check --fix" "$bin/ruff" check .
stage "ruff format" "Mend it: $bin/ruff format" "$bin/ruff" format --check .
stage "mypy" "Each line above names file, line and rule; mypy --strict has no exceptions without a reason." "$bin/mypy"
stage "import rules" "Dependencies point inward (pyproject.toml, tool.importlinter): move the import outward." "$bin/lint-imports"
stage "pytest" "Run one alone: $bin/pytest PATH::NAME" "$bin/pytest" -n 2 --durations=15 "$@"
