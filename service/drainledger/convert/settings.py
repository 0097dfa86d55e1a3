"""What a conversion is told beside its input."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Literal

from msgspec import Struct

Fhir = Literal["R4", "R5"]
Emit = Literal["resources", "bundle", "transaction", "ledger", "ledger-csv", "summary"]

BASE = "https://drainledger.example/fhir"


class Settings(Struct, frozen=True, kw_only=True):
    """`source` names who the records come from and `tenant` the hospital: both are in every id that comes out.

    `base` is where the local canonicals live. `patient_secret` goes into the ids of Patients, so that a record number
    can't be guessed back from one. `mappings` None: those shipped. `received_at` decides what is in the future.
    `in_memory` is how many records wait in memory before they go to disk.
    """

    emit: Emit
    received_at: datetime
    fhir: Fhir = "R4"
    tenant: str = "default"
    source: str = "file"
    base: str = BASE
    patient_secret: bytes = b""
    mappings: Path | None = None
    assume_ordered: bool = False
    in_memory: int = 200_000
