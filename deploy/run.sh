#!/usr/bin/env bash
# From a fresh clone to a running service: installs into .venv (nothing outside this folder is touched, but for python3-venv
# where Debian left it out), starts the service with an invented ward, says what to look at, and stops it on Ctrl-C.
#
#   bash deploy/run.sh                 on port 8080 of this machine alone
#   bash deploy/run.sh --port 8081     on another
#   bash deploy/run.sh --check         starts it on a free port, tries what it would print, stops it; exit code 0 if all went well
#
# Needs Python 3.11 or newer and, the first time, a package index. What it writes is under build/demo/; what you post
# is kept there, and 'rm -r build/demo' starts afresh.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
# shellcheck source=deploy/lib.sh
. deploy/lib.sh

port=8080
check=no
while [ "$#" -gt 0 ]; do
  case $1 in
    --check) check=yes ;;
    --port) port=${2:?--port needs a number} && shift ;;
    *) fail "'$1' is not known" "Known: --port N, --check" ;;
  esac
  shift
done

records=fixtures/ward.ndjson
demo=build/demo
ensure_venv
install_locked deploy/requirements.lock
drainledger=.venv/bin/drainledger

free_port() { .venv/bin/python -c 'import socket; s = socket.socket(); s.bind(("127.0.0.1", 0)); print(s.getsockname()[1])'; }

# What the clients of this script ask goes to this machine, whatever proxy is set.
ask() { curl --silent --show-error --noproxy 127.0.0.1 --max-time 30 "$@"; }

if [ "$check" = yes ]; then
  command -v curl >/dev/null || apt_install "--check tries the lines that it prints, and they need curl" curl
  port=$(free_port)
  demo=build/demo-check
  rm -rf "$demo"
fi
mkdir -p "$demo"
chmod 0700 "$demo"

# Settings of other services on this machine have no say in the demo.
for name in $(compgen -e DRAINLEDGER_ || true); do unset "$name"; done
export DRAINLEDGER_DATABASE="sqlite:///$demo/demo.db"

"$drainledger" db upgrade >"$demo/upgrade.log" 2>&1 || { cat "$demo/upgrade.log" >&2; fail "the database in $demo could not be made"; }

# The demo asks for no key. This one is what a client of a real service would send, and is taken here as well.
if [ ! -s "$demo/key" ]; then
  (umask 077 && "$drainledger" keys create --tenant demo --source bedside --scope records.write --scope read \
    --scope operate >"$demo/key" 2>"$demo/keys.log") || { cat "$demo/keys.log" >&2; fail "no key could be made in $demo"; }
fi
key=$(cat "$demo/key")

set -m # a process group of its own: Ctrl-C reaches this script alone, which then stops the service in order
"$drainledger" serve --demo --fixtures "$records" --host 127.0.0.1 --port "$port" >"$demo/service.log" 2>&1 &
service=$!
set +m

stop() {
  trap - INT TERM EXIT
  kill -TERM "$service" 2>/dev/null || true
  local status=0
  wait "$service" || status=$?
  return "$status"
}
trap 'say ""; say "stopping"; stop; exit' INT TERM
trap stop EXIT

is_ready() { .venv/bin/python - "$port" 2>/dev/null <<'END_OF_PYTHON'
import sys, urllib.request
urllib.request.build_opener(urllib.request.ProxyHandler({})).open(f"http://127.0.0.1:{sys.argv[1]}/health/ready", timeout=2)
END_OF_PYTHON
}

for _ in $(seq 300); do
  if is_ready; then break; fi
  if ! kill -0 "$service" 2>/dev/null; then
    tail -n 20 "$demo/service.log" >&2
    fail "the service did not start" "Is port $port taken? Name another: bash deploy/run.sh --port 8081"
  fi
  sleep 0.1
done
is_ready || { tail -n 20 "$demo/service.log" >&2; fail "the service was not ready within 60 s" "See $demo/service.log"; }

address=http://127.0.0.1:$port
bearer="-H 'Authorization: Bearer $key'"
reading='{"record":"reading","id":"try-1","drain":"drn-4","at":"2026-03-30T16:00:00+01:00","level":{"value":336,"unit":"mL"}}'
try=(
  "curl -s $address/v1/records $bearer -H 'Content-Type: application/json' -d '$reading'"
  "curl -s $address/v1/drains/drn-4/ledger $bearer -H 'Accept: text/csv'"
  "curl -s $address/v1/trace/try-1 $bearer"
)

cat <<END_OF_TEXT

Drainledger runs at $address with an invented ward: eight patients, eleven drains, March 2026 in Lisbon.

  Not a medical device, not an alarm. Check the patient; local policy and licensed practice decide.

  look at    $address/            what there is
             $address/v1/drains   the drains and their totals
             $address/docs        the interface, with examples
  key        $key
             (the demo asks for none; a real service does, and makes one by 'drainledger keys create')
  log        $demo/service.log

Try, from another terminal: post a reading, see the drain's intervals and totals, follow the reading home.

  ${try[0]}

  ${try[1]}

  ${try[2]}

END_OF_TEXT

if [ "$check" = no ]; then
  say "Ctrl-C stops it."
  wait "$service" || fail "the service ended by itself" "See $demo/service.log"
  exit
fi

# try_line LINE WHAT-IT-MUST-ANSWER: the very line that is printed, with a failure on an error status.
try_line() {
  local answer
  answer=$(eval "${1/curl -s/ask --fail-with-body}") || fail "this line failed: $1" "$answer"
  case $answer in *"$2"*) ;; *) fail "this line did not answer $2: $1" "$answer" ;; esac
}
for page in / /v1/drains /docs; do
  ask --fail --output /dev/null "$address$page" || fail "$address$page does not answer"
done
try_line "${try[0]}" '"accepted":1'
try_line "${try[1]}" '2026-03-30T16:00:00+01:00,8,exact'
try_line "${try[2]}" 'try-1'
stop || fail "the service did not stop in order (exit code $?)" "See $demo/service.log"
say "checked: it starts, answers the three lines and stops"
