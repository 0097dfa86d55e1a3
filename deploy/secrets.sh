#!/usr/bin/env bash
# Random secrets for deploy/compose.yaml and deploy/drainledger.service, into deploy/secrets/ or the folder that is named.
# What is there already is left as it is: the patient secret above all must never change (patients' ids hang on it).
#
#   bash deploy/secrets.sh [FOLDER]
set -euo pipefail
folder=${1:-"$(dirname "${BASH_SOURCE[0]}")/secrets"}

random() { od -An -v -tx1 -N32 /dev/urandom | tr -d ' \n'; }

# keep NAME TEXT: written once. The folder lets nobody else in; the files can be read by whom they are mounted for.
keep() {
  if [ -e "$folder/$1" ]; then
    echo "kept  $folder/$1"
    return
  fi
  printf '%s' "$2" >"$folder/$1"
  chmod 0444 "$folder/$1"
  echo "made  $folder/$1"
}

mkdir -p "$folder"
chmod 0700 "$folder"
keep postgres_password "$(random)"
keep drainledger_database "postgresql+psycopg://drainledger:$(cat "$folder/postgres_password")@database:5432/drainledger"
keep drainledger_patient_secret "$(random)"
echo "Keep a copy of drainledger_patient_secret where backups are kept: without it, patients' ids can't be made again."
