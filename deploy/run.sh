#!/usr/bin/env bash
# From a fresh clone to the main job: installs into .venv (nothing outside this folder is touched, but for python3-venv
# where Debian left it out) and converts an invented ward into resources and a ledger.
#
# Needs Python 3.11 or newer and, the first time, a package index.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
# shellcheck source=deploy/lib.sh
. deploy/lib.sh

records=fixtures/ward.ndjson
out=build/demo

ensure_venv
install_locked deploy/requirements.lock
mkdir -p "$out"
: >"$out/problems.ndjson"

# convert_demo WHAT FILE: 0 and 1 are both answers (1: some records are held); anything else is a failure.
convert_demo() {
  local status=0
  .venv/bin/drainledger convert "$records" --emit "$1" --out "$out/$2" 2>"$out/problems.ndjson" || status=$?
  [ "$status" -le 1 ] || { cat "$out/problems.ndjson" >&2; fail "'drainledger convert $records --emit $1' ended with $status"; }
}

convert_demo resources resources.ndjson
convert_demo ledger ledger.json
convert_demo summary summary.txt

printf '\n%s, converted:\n\n' "$records"
cat "$out/summary.txt"
cat <<END

  resources  $out/resources.ndjson   $(wc -l <"$out/resources.ndjson") FHIR R4 resources
  ledger     $out/ledger.json
  problems   $out/problems.ndjson   $(wc -l <"$out/problems.ndjson"): what waits or is held, and why

Every ward, patient and reading in this demo is invented.
Your own records: .venv/bin/drainledger convert FILE --emit resources   (--help says more)
END
