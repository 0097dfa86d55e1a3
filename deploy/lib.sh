# Shared by run.sh and test.sh; sourced, never run. Expects the top of the repository as the working folder.
# shellcheck shell=bash

say() { printf '%s\n' "$*"; }

# fail WHAT [WHAT TO DO...]: the reason, then one line for each thing to do.
fail() {
  printf '\ndrainledger: %s\n' "$1" >&2
  shift
  [ "$#" -eq 0 ] || printf '  %s\n' "$@" >&2
  exit 1
}

python_is_new_enough() { "$1" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; }

# Prints the first interpreter that is Python 3.11 or newer; $PYTHON, if set, is the only candidate.
find_python() {
  local candidate
  for candidate in ${PYTHON:-python3 python3.13 python3.12 python3.11}; do
    if python_is_new_enough "$candidate"; then
      printf '%s\n' "$candidate"
      return
    fi
  done
  fail "needs Python 3.11 or newer, and found: $(${PYTHON:-python3} --version 2>&1 || true)" \
    "Install one (Debian 12 or later: apt-get install python3 python3-venv)," \
    "or name one: PYTHON=/path/to/python3.12 bash $0"
}

# apt_install WHY PACKAGE...: Debian's packages, when this is Debian and we are root; else says what is missing.
apt_install() {
  local why=$1
  shift
  if [ "$(id -u)" -ne 0 ] || ! command -v apt-get >/dev/null; then
    fail "$why" "Install it first (Debian, Ubuntu: sudo apt-get install $*), then start this again."
  fi
  say "$why; installing $* with apt-get"
  export DEBIAN_FRONTEND=noninteractive
  if ! apt-get update -qq || ! apt-get install -qq -y "$@" >/dev/null; then
    fail "apt-get could not install $*" "See its message above; then start this again."
  fi
}

# Makes .venv unless a usable one is there.
ensure_venv() {
  if [ -x .venv/bin/python ]; then
    if python_is_new_enough .venv/bin/python && .venv/bin/python -m pip --version >/dev/null 2>&1; then return; fi
    fail "the folder .venv is there but can't be used" "Remove it (rm -r .venv), then start this again."
  fi
  local python
  python=$(find_python)
  # Debian leaves ensurepip out of python3: without it a venv gets no pip.
  "$python" -c 'import ensurepip' 2>/dev/null ||
    apt_install "$python can't make virtual environments (no ensurepip)" python3-venv
  say "making .venv with $("$python" --version)"
  "$python" -m venv .venv || fail "$python could not make .venv" "See its message above."
}

hash_of() { cat "$@" | .venv/bin/python -c 'import hashlib, sys; print(hashlib.sha256(sys.stdin.buffer.read()).hexdigest())'; }

# up_to_date STAMP FILE...: whether the stamp was left by these very files.
up_to_date() { [ -f "$1" ] && [ "$(cat "$1")" = "$(hash_of "${@:2}")" ]; }

pip_install() { .venv/bin/python -m pip install --quiet --disable-pip-version-check --no-input "$@"; }

# install_locked LOCK: exactly the locked files, by hash, then this project from its own source. Nothing is resolved and
# nothing unlocked is downloaded: the build backend is in the lock. The install is editable, so that what is
# changed under service/ or mappings/ holds at once.
install_locked() {
  local lock=$1 stamp
  stamp=.venv/installed-$(basename "$lock" .lock)
  if ! up_to_date "$stamp" "$lock"; then
    say "installing $lock"
    pip_install --require-hashes -r "$lock" ||
      fail "the packages of $lock could not be installed" \
        "No network, or a proxy? pip's own settings apply (pip config list)." \
        "A hash that differs is never to be waved through: tell the maintainers."
    hash_of "$lock" >"$stamp"
  fi
  if ! up_to_date .venv/installed-project pyproject.toml service/drainledger/__init__.py; then
    pip_install --no-build-isolation --no-deps --editable . || fail "the project itself could not be installed"
    hash_of pyproject.toml service/drainledger/__init__.py >.venv/installed-project
  fi
}
