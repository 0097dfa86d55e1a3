"""A page of a search by patient, code and date over a small and a large store: p95 of each, and their ratio.

The stores differ in how many patients they hold alone. Each patient's rows are those that the service itself wrote of
one, under other ids; all patients' hours are written one after the other, so that a patient's rows lie far apart.
"""

from __future__ import annotations

import random
import statistics
import time
from collections.abc import Iterator
from hashlib import blake2b
from itertools import islice
from pathlib import Path
from typing import Any, Final

from sqlalchemy import insert

from drainledger.store import codec
from drainledger.store.migrations import upgrade
from drainledger.store.rows import Part, VersionRow
from drainledger.store.schema import tenants, versions
from drainledger.store.store import Store
from tests.intake.service import TENANT, running, send, sqlite_url
from tests.journals.seeded import hourly_readings
from tests.web.http import Http, key_for, service, settings_for

#: Hourly readings of each patient: eight days.
_READINGS: Final = 200
_BATCH: Final = 2000


def search(folder: Path, small: int = 10_000, large: int = 1_000_000, asked: int = 200) -> dict[str, Any]:
    """`small` and `large` are Observations; `asked` searches are timed in each."""
    folder.mkdir(exist_ok=True)
    rows = _one_patient(folder / "one")
    found: dict[str, Any] = {}
    for name, observations in (("small", small), ("large", large)):
        found[name] = _measured(folder / name, rows, observations, asked)
    for kind in ("first", "deep", "everybody"):
        found[f"{kind}_p95_ratio"] = round(
            found["large"][f"{kind}_p95_ms"] / found["small"][f"{kind}_p95_ms"], 2
        )
    return found


def _one_patient(folder: Path) -> list[VersionRow]:
    """What the service wrote of a patient's drain, the oldest first."""
    folder.mkdir()
    with running(sqlite_url(folder)) as (store, intake):
        raws = list(hourly_readings(_READINGS, drains=1))
        for start in range(0, len(raws), 10):
            send(intake, *raws[start : start + 10])
        with store.read(TENANT) as read:
            every = [row for id_ in read.ids("", 100_000) for row in read.history(id_, with_bodies=True)]
    return sorted(every, key=lambda row: (row.seq, row.id))


def _observations(rows: list[VersionRow]) -> int:
    return len(
        {(row.id, part) for row in rows for part, each in row.parts.items() if each.type == "Observation"}
    )


def _measured(folder: Path, rows: list[VersionRow], observations: int, asked: int) -> dict[str, Any]:
    folder.mkdir()
    settings = settings_for(folder)
    upgrade(settings.database.get_secret_value())
    patients = max(1, observations // _observations(rows))
    began = time.perf_counter()
    store = Store.open(settings.database.get_secret_value())
    fill(store, rows, patients)
    store.close()
    told: dict[str, Any] = {
        "patients": patients,
        "observations": patients * _observations(rows),
        "fill_s": round(time.perf_counter() - began, 1),
    }
    with service(settings) as app:
        http = Http(app, key_for(app, tenant=TENANT))
        told |= _asked(http, rows, patients, asked)
        http.close()
    return told


# Filling


def fill(store: Store, rows: list[VersionRow], patients: int) -> None:
    """The same of so many patients, at seqs of their own, hour by hour."""
    ids = sorted({row.id for row in rows})
    patient = next(row.patient for row in rows if row.patient is not None)
    copies = [_Copy(number, ids, patient) for number in range(patients)]
    seqs: dict[tuple[int, int], int] = {}
    made = _made(rows, copies, seqs)
    with store.database.write() as connection:
        while batch := list(islice(made, _BATCH)):
            connection.execute(insert(versions), batch)
        connection.execute(
            insert(tenants).values(
                tenant=TENANT, last_seq=len(seqs), last_received_at=rows[-1].received_at, last_audit_seq=0
            )
        )


def _made(
    rows: list[VersionRow], copies: list[_Copy], seqs: dict[tuple[int, int], int]
) -> Iterator[dict[str, Any]]:
    for seq in sorted({row.seq for row in rows}):
        written = [row for row in rows if row.seq == seq]
        for copy in copies:
            seqs[copy.number, seq] = len(seqs) + 1
            yield from (copy.row(row, seqs) for row in written)


class _Copy:
    """One more patient: the same with other ids."""

    def __init__(self, number: int, ids: list[str], patient: str) -> None:
        self.number = number
        self.patient = self.id(patient)
        self._names = {id_: self.id(id_) for id_ in ids}

    def id(self, id_: str) -> str:
        digits = blake2b(f"{self.number} {id_}".encode(), digest_size=16).hexdigest()
        return f"{digits[:8]}-{digits[8:12]}-5{digits[13:16]}-8{digits[17:20]}-{digits[20:]}"

    def row(self, row: VersionRow, seqs: dict[tuple[int, int], int]) -> dict[str, Any]:
        parts = {
            name: Part(
                each.type, each.version, seqs[self.number, each.seq], each.digest, each.status, each.code
            )
            for name, each in row.parts.items()
        }
        old, new = row.id.encode(), self._names[row.id].encode()
        bodies = {name: body.replace(old, new) for name, body in (row.bodies or {}).items()}
        if row.patient is not None:
            was, is_ = row.patient.encode(), self._names[row.patient].encode()
            bodies = {name: body.replace(was, is_) for name, body in bodies.items()}
        return {
            "tenant": TENANT,
            "id": self._names[row.id],
            "seq": seqs[self.number, row.seq],
            "received_at": row.received_at,
            "patient": None if row.patient is None else self._names[row.patient],
            "drain": None if row.drain is None else f"{row.drain}-{self.number}",
            "at": row.at,
            "slot": codec.join_slot(row.record),
            "parts": codec.encode_parts(parts),
            "bodies": codec.encode_bodies(bodies),
        }


# Asking

_CODE: Final = "http://loinc.org|9129-8"
_FROM, _TO = "2026-03-05T00:00:00Z", "2026-03-09T00:00:00Z"


def _asked(http: Http, rows: list[VersionRow], patients: int, asked: int) -> dict[str, float]:
    """Times in ms: a first page of 50; the page that a patient's last link leads to; and a page of no one patient."""
    rng = random.Random(7)
    patient = next(row.patient for row in rows if row.patient is not None)
    ids = [_Copy(rng.randrange(patients), [], patient).patient for _ in range(asked)]
    narrow = {"code": _CODE, "date": [f"ge{_FROM}", f"lt{_TO}"], "_count": "50"}
    times: dict[str, list[float]] = {"first": [], "deep": [], "everybody": []}
    for place, id_ in enumerate(ids):
        bundle, took = _page(http, _URL, narrow | {"patient": f"Patient/{id_}"})
        times["first"].append(took)
        assert len(bundle["entry"]) == 50
        assert all(each["resource"]["subject"]["reference"] == f"Patient/{id_}" for each in bundle["entry"])
        if place % 4 == 0:
            times["deep"].append(_last_page(http, id_))
        times["everybody"].append(_page(http, _URL, narrow)[1])
    return {
        f"{kind}_{what}_ms": round(value * 1000, 2)
        for kind, took in times.items()
        for what, value in (("p50", statistics.median(took)), ("p95", statistics.quantiles(took, n=20)[-1]))
    }


_URL: Final = "/fhir/R4/Observation"


def _last_page(http: Http, patient: str) -> float:
    """How long the last page of all that a patient has took."""
    bundle, took = _page(http, _URL, {"patient": patient, "_count": "200"})
    while following := [each["url"] for each in bundle["link"] if each["relation"] == "next"]:
        bundle, took = _page(http, following[0], {})
    return took


def _page(http: Http, url: str, asked: dict[str, Any]) -> tuple[dict[str, Any], float]:
    began = time.perf_counter()
    answer = http.get(url, params=asked or None)
    took = time.perf_counter() - began
    assert answer.status_code == 200, answer.text
    return answer.json(), took
