"""`drainledger export --table` as an analyst runs it: the files against the ledger that the service tells."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from collections.abc import Iterator
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Any, NamedTuple

import pandas as pd
import pyarrow.parquet as pq
import pytest

from drainledger import __version__
from drainledger.fhir.tables import CAUTION, TABLES
from drainledger.rest.scan import VersionsSource
from drainledger.rest.stored import Wanted
from tests.convert import cli
from tests.convert.journals import drain, reading, start, ward
from tests.web.http import SECRET, Http, caller, settings_for, store_of

#: Enough for the service to find the same ids.
ENVIRONMENT = cli.environment(DRAINLEDGER_PATIENT_SECRET=SECRET)
DRAINS = ("drn-1", "drn-2", "drn-3")


class Filled(NamedTuple):
    http: Http
    database: str


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Filled]:
    settings = settings_for(tmp_path_factory.mktemp("tables"))
    with caller(settings) as http:
        for record in ward():
            assert http.post(record).status_code == 200
        yield Filled(http, settings.database.get_secret_value())


def export(filled: Filled, table: str, *more: str) -> subprocess.CompletedProcess[bytes]:
    return cli.run("export", "--table", table, "--database", filled.database, *more, env=ENVIRONMENT)


def csv_of(filled: Filled, table: str, *more: str) -> list[dict[str, str]]:
    done = export(filled, table, *more)
    assert done.returncode == 0, done.stderr
    assert CAUTION.encode() in done.stderr
    return read(done.stdout)


def read(written: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(written.decode(), newline="")))


def view(filled: Filled, path: str) -> Any:
    answer = filled.http.get(path)
    assert answer.status_code == 200
    return json.loads(answer.content, parse_float=Decimal)


def devices(filled: Filled) -> dict[str, str]:
    """A drain's record id by the id of its Device."""
    ids = filled.http.app.state.service.views.renderer("north").ids
    return {ids.drain(id_): id_ for id_ in DRAINS}


def test_adding_up_the_intervals_gives_the_ledgers_total(filled: Filled) -> None:
    rows = csv_of(filled, "intervals")
    amounts: Any = [Decimal(row["output_ml"] or "0") for row in rows]
    frame: Any = pd.DataFrame(rows).assign(ml=amounts)
    added = {drain_id: sum(of["ml"]) for drain_id, of in frame.groupby("drain_id")}
    ledgers = {id_: view(filled, f"/v1/drains/{id_}/ledger")["drains"][0] for id_ in DRAINS}
    names = devices(filled)
    assert {names[id_]: total for id_, total in added.items()} == {
        id_: Decimal(ledger["totals"][-1]["total_ml"]) for id_, ledger in ledgers.items()
    }


def test_each_interval_is_the_ledgers(filled: Filled) -> None:
    names = devices(filled)
    rows = {
        (names[row["drain_id"]], instant(row["end"]), row["output_ml"], row["bound"])
        for row in csv_of(filled, "intervals")
    }
    told = {
        (id_, instant(one["end"]), one["output_ml"] or "", one["bound"])
        for id_ in DRAINS
        for one in view(filled, f"/v1/drains/{id_}/ledger")["drains"][0]["intervals"]
    }
    assert rows == told
    assert {bound for *_, bound in rows} == {"exact", "unknown"}


def test_each_window_is_the_services(filled: Filled) -> None:
    names = devices(filled)
    nets = {
        (row["drain_id"], row["window"], row["day"]): row["net_ml"] for row in csv_of(filled, "window-nets")
    }
    rows = [
        {
            "drain": names[row["drain_id"]],
            "name": row["window"],
            "start": instant(row["start"]),
            "end": instant(row["end"]),
            "covers": [instant(row["covered_start"]), instant(row["covered_end"])],
            "total_ml": row["total_ml"],
            "net_ml": nets[row["drain_id"], row["window"], row["day"]],
            "bound": row["bound"],
            "coverage": row["coverage"],
            "clamped_min": row["clamped_min"],
        }
        for row in csv_of(filled, "windows")
    ]
    told = [
        {name: one[name] for name in ("name", "total_ml", "net_ml", "bound", "coverage", "clamped_min")}
        | {
            "drain": id_,
            "start": instant(one["start"]),
            "end": instant(one["end"]),
            "covers": [instant(text) for text in one["covers"]],
        }
        for id_ in DRAINS
        for one in view(filled, f"/v1/drains/{id_}/windows")["windows"]
    ]
    assert len(told) >= len(DRAINS)
    assert sorted(rows, key=str) == sorted(({name: one[name] for name in rows[0]} for one in told), key=str)


@pytest.mark.parametrize("name", list(TABLES))
def test_parquet_says_the_same_with_units_and_caution(filled: Filled, name: str, tmp_path: Path) -> None:
    out = tmp_path / "table.parquet"
    assert export(filled, name, "--to", "parquet", "--out", str(out)).returncode == 0
    found = pq.read_table(out)
    assert found.schema.metadata[b"caution"] == CAUTION.encode()
    assert found.schema.metadata[b"drainledger"] == __version__.encode()
    for column in TABLES[name].columns:
        field = found.schema.field(column.name)
        assert field.metadata[b"meaning"] == column.meaning.encode()
        assert field.metadata.get(b"unit", b"") == column.unit.encode()
        assert not str(field.type).startswith(("float", "double"))
    written = [
        tuple(typed(column.kind, row[column.name]) for column in TABLES[name].columns)
        for row in csv_of(filled, name)
    ]
    assert [tuple(row.values()) for row in found.to_pylist()] == written


def typed(kind: str, text: str) -> object:
    if not text:
        return None
    if kind == "decimal":
        return Decimal(text)
    return instant(text) if kind == "instant" else text


def instant(text: str) -> datetime:
    return datetime.fromisoformat(text)


def test_a_period_and_a_drain_cut_the_rows(filled: Filled) -> None:
    every = csv_of(filled, "intervals")
    since, until = "2026-03-02T07:00:00+00:00", "2026-03-02T08:30:00+00:00"
    (device,) = [of for of, id_ in devices(filled).items() if id_ == "drn-3"]
    wanted = [
        row
        for row in every
        if instant(since) < instant(row["end"]) <= instant(until) and row["drain_id"] == device
    ]
    assert 0 < len(wanted) < len(every)
    found = csv_of(filled, "intervals", "--since", since, "--until", until, "--drain", "drn-3")
    assert found == wanted


def test_record_numbers_only_where_they_are_asked_for(filled: Filled) -> None:
    numbers = {"P-1", "P-2"}
    assert numbers.isdisjoint(cell for row in csv_of(filled, "intervals") for cell in row.values())
    assert {row["patient_number"] for row in csv_of(filled, "intervals", "--identifiers")} == numbers


def test_what_was_withdrawn_is_left_out(filled: Filled) -> None:
    wanted = Wanted(types=frozenset({"Observation"}))
    with store_of(filled.http.app).read("north") as read_:
        kept = [one for _, one in VersionsSource().scan(read_, wanted, read_.last_seq())]
    gone = {one.id for one in kept if one.status == "entered-in-error"}
    assert gone
    for name in TABLES:
        assert gone.isdisjoint(row["observation_id"] for row in csv_of(filled, name))


def test_who_took_a_table_out_is_in_the_trail(filled: Filled) -> None:
    csv_of(filled, "totals")
    with store_of(filled.http.app).read("north") as read_:
        rows = read_.newest_audits(20)
    assert any(row.route == "export --table totals" and row.principal.startswith("cli:") for row in rows)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (("--drain", "nobody"), b"there is no drain 'nobody'"),
        (("--tenant", "nowhere"), b"nowhere"),
        (("--since", "2026-03-02T07:00:00"), b"offset"),
        (("--since", "yesterday"), b"no time"),
        (("--records", "-", "--drain", "drn-1"), b"--records"),
        (("--package", "x.tgz"), b"--package"),
    ],
)
def test_what_cant_be_done_is_told(filled: Filled, more: tuple[str, ...], said: bytes) -> None:
    done = export(filled, "intervals", *more)
    assert (done.returncode, done.stdout) == (2, b"")
    assert said in done.stderr
    assert b"Traceback" not in done.stderr


def test_a_file_of_records_needs_no_database(tmp_path: Path) -> None:
    hostile = '=HYPERLINK("x")'
    journal = [
        *start(),
        drain("drn-8", patient=hostile),
        reading("r-1", "07:00", 40, suction={"mode": "suction", "set": {"value": -20, "unit": "cm[H2O]"}}),
    ]
    more = ("--records", "-", "--identifiers")
    done = cli.run(
        "export", "--table", "intervals", *more, stdin=cli.ndjson([*journal, {"record": "?"}]), cwd=tmp_path
    )
    (row,) = read(done.stdout)
    assert (row["output_ml"], row["bound"], row["end_offset"]) == ("40", "exact", "+00:00")
    assert done.returncode == 1  # a record is held
    assert list(tmp_path.iterdir()) == []
    done = cli.run("export", "--table", "checks", *more, stdin=cli.ndjson(journal), cwd=tmp_path)
    (row,) = read(done.stdout)
    assert (row["value_number"], row["unit"], row["suction_mode"]) == ("-20", "cm[H2O]", "mode-suction")
    journal[0] = drain(patient=hostile)
    done = cli.run("export", "--table", "intervals", *more, stdin=cli.ndjson(journal), cwd=tmp_path)
    assert [row["patient_number"] for row in read(done.stdout)] == ["'" + hostile]


def test_the_service_does_not_load_what_only_tables_need() -> None:
    script = "import sys, drainledger.web.app, drainledger.fhir.tables; sys.exit('pyarrow' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", script], env=ENVIRONMENT, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr
