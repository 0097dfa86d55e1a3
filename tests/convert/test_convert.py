"""`drainledger convert` from the outside: what goes in, what comes out of which stream, and with which exit code."""

from __future__ import annotations

import csv
import gzip
import io
import json
import random
import subprocess
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from drainledger.cli import app
from tests.convert import cli, journals
from tests.convert.journals import CASE_1, CASE_3, reading

EMITS = ["resources", "bundle", "transaction", "ledger", "ledger-csv", "summary"]


def ledger(journal: list[Any], *arguments: str) -> dict[str, Any]:
    done = cli.convert(journal, *arguments)
    assert done.returncode in (0, 1), done.stderr.decode()
    parsed: dict[str, Any] = json.loads(done.stdout)
    return parsed


def outputs(journal: list[Any]) -> list[str | None]:
    (drain,) = ledger(journal)["drains"]
    return [interval["output_ml"] for interval in drain["intervals"]]


def resources(done: subprocess.CompletedProcess[bytes]) -> list[dict[str, Any]]:
    return [json.loads(line, parse_float=Decimal) for line in done.stdout.splitlines()]


# DESIGN 4, worked cases 1 and 3, through the whole program.
def test_worked_cases_come_out_of_the_program_as_they_stand_in_the_design() -> None:
    assert outputs(CASE_1) == ["40", "50", "0"]
    assert outputs(CASE_3) == ["300", None, "30"]
    (drain,) = ledger(CASE_3)["drains"]
    assert (drain["totals"][-1]["total_ml"], drain["totals"][-1]["bound"]) == ("330", "at-least")


@pytest.mark.parametrize("emit", EMITS)
def test_any_order_of_arrival_gives_the_same_bytes(emit: str) -> None:
    journal = journals.ward()
    first = cli.convert(journal, emit=emit)
    assert first.returncode == 0, first.stderr.decode()
    assert first.stdout
    for seed in range(3):
        shuffled = random.Random(seed).sample(journal, len(journal))
        again = cli.convert([*shuffled, *shuffled[:5]], emit=emit)  # and some records twice
        assert again.stdout == first.stdout
        assert again.stderr == b""


@pytest.mark.parametrize("emit", EMITS)
def test_a_file_a_gzip_file_and_standard_input_are_the_same_to_it(tmp_path: Path, emit: str) -> None:
    plain, packed = tmp_path / "records.ndjson", tmp_path / "records.gz"
    content = cli.ndjson(journals.ward())
    plain.write_bytes(content)
    packed.write_bytes(gzip.compress(content))
    arguments = ["--emit", emit, "--received-at", cli.RECEIVED]
    from_stdin = cli.run("convert", "-", *arguments, stdin=content)
    for path in (plain, packed):
        assert cli.run("convert", path, *arguments).stdout == from_stdin.stdout
    assert cli.run("convert", "-", *arguments, stdin=packed.read_bytes()).stdout == from_stdin.stdout


def test_a_held_record_is_told_with_its_line_and_the_rest_is_converted() -> None:
    bad = reading("r-2", "08:00")
    bad["level"] = {"value": 90}
    done = cli.convert([*CASE_1[:4], "", "{not json", bad, CASE_1[5]])
    assert done.returncode == 1
    not_json, no_unit = cli.told(done)
    assert (not_json["line"], not_json["id"], not_json["status"]) == (6, None, "held")
    assert not_json["problems"][0]["code"] == "bad-json"
    assert (no_unit["line"], no_unit["id"], no_unit["record"], no_unit["status"]) == (
        7,
        "r-2",
        "reading",
        "held",
    )
    (problem,) = no_unit["problems"]
    assert (problem["code"], problem["pointer"]) == ("missing-unit", "/level")
    assert problem["text"].endswith(".")
    (drain,) = json.loads(done.stdout)["drains"]
    assert [interval["output_ml"] for interval in drain["intervals"]] == ["40", "50"]
    assert drain["held"] == 1


def test_a_conflict_is_told_and_the_first_stands() -> None:
    done = cli.convert([*CASE_1, reading("r-3", "09:00", 95), reading("r-3", "09:00", 90)])
    assert done.returncode == 1
    (told,) = cli.told(done)
    assert (told["line"], told["id"], told["status"]) == (7, "r-3", "conflict")
    (drain,) = json.loads(done.stdout)["drains"]
    assert drain["held"] == 1
    assert [interval["output_ml"] for interval in drain["intervals"]] == ["40", "50", "0"]


def test_a_field_that_the_contract_does_not_know_is_told_and_costs_nothing() -> None:
    done = cli.convert([*CASE_1[:-1], reading("r-3", "09:00", 90, colour_of_curtain="green")])
    assert done.returncode == 0
    (told,) = cli.told(done)
    assert (told["line"], told["status"]) == (6, "ignored-field")
    assert told["problems"][0]["pointer"] == "/colour_of_curtain"
    assert json.loads(done.stdout)["drains"][0]["totals"][-1]["total_ml"] == "90"


def test_records_that_wait_are_told_and_shown_but_are_no_error() -> None:
    done = cli.convert(
        [*CASE_1, reading("r-9", "09:00", 10, "drn-unheard-of"), journals.retraction("x-1", "r-0", "10:00")]
    )
    assert done.returncode == 0
    assert {(told["line"], told["id"], told["status"]) for told in cli.told(done)} == {
        (7, "r-9", "waiting"),
        (8, "x-1", "waiting"),
    }
    assert {shown["record"] for shown in json.loads(done.stdout)["waiting_records"]} == {"r-9", "x-1"}


def test_what_is_in_the_future_is_held_by_the_time_of_receipt() -> None:
    content = cli.ndjson(CASE_1)
    early = cli.run(
        "convert", "-", "--emit", "ledger", "--received-at", "2026-03-02T08:49:59Z", stdin=content
    )
    assert [(told["line"], told["problems"][0]["code"]) for told in cli.told(early)] == [(6, "future-time")]
    late = cli.run(
        "convert", "-", "--emit", "ledger", "--received-at", "2026-03-02T09:50:00+01:00", stdin=content
    )
    assert late.stderr == b""


@pytest.mark.parametrize(
    "arguments",
    [
        ["convert"],
        ["convert", "-"],
        ["convert", "-", "--emit", "pdf"],
        ["convert", "-", "--emit", "ledger", "--fhir", "DSTU2"],
        ["convert", "-", "--emit", "ledger", "--received-at", "yesterday"],
        ["convert", "-", "--emit", "ledger", "--received-at", "2026-03-02T08:00:00"],
        ["convert", "-", "--emit", "ledger", "--received-at", "9999-12-31T23:59:59Z"],
        ["convert", "-", "--emit", "ledger", "--received-at", "0001-01-01T00:00:00+14:00"],
        ["check", "records", "-", "--received-at", "9999-12-31T23:59:59Z"],
        ["convert", "-", "--emit", "ledger", "--out", "o" * 300],
        ["convert", "-", "--emit", "ledger", "--out", "."],
        ["convert", "i" * 300, "--emit", "ledger"],
        ["convert", "-", "--emit", "ledger", "--mappings", "m" * 300],
        ["conformance", "--out", "o" * 300],
        ["check", "resources", "i" * 300],
        ["convert", "no-such-file.ndjson", "--emit", "ledger"],
        ["convert", ".", "--emit", "ledger"],
        ["convert", "-", "--emit", "ledger", "--out", "no/such/folder/out.json"],
        ["convert", "-", "--emit", "ledger", "--mappings", "no-such-folder"],
        ["convert", "-", "--emit", "ledger", "--source", ""],
        ["convert", "-", "--emit", "ledger", "--tenant", "two\nlines"],
        ["convert", "-", "--emit", "ledger", "--base", "not a URL"],
        ["no-such-command"],
        ["check", "no-such-thing"],
        ["conformance"],
    ],
    ids=lambda arguments: " ".join(arguments)[:80],
)
def test_wrong_usage_ends_with_2_and_writes_nothing(tmp_path: Path, arguments: list[str]) -> None:
    done = cli.run(*arguments, stdin=cli.ndjson(CASE_1), cwd=tmp_path)
    assert done.returncode == 2, done.stderr.decode()
    assert done.stdout == b""
    assert done.stderr
    assert b"Traceback" not in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_damaged_file_leaves_the_last_result_alone(tmp_path: Path) -> None:
    damaged, out = tmp_path / "records.gz", tmp_path / "ledger.json"
    damaged.write_bytes(gzip.compress(cli.ndjson(CASE_1))[:-9])
    out.write_bytes(b"the last result")
    done = cli.run("convert", damaged, "--emit", "ledger", "--out", out)
    assert done.returncode == 2
    assert done.stderr.startswith(b"drainledger: can't read ")
    assert out.read_bytes() == b"the last result"
    assert {path.name for path in tmp_path.iterdir()} == {"records.gz", "ledger.json"}


@pytest.mark.parametrize(
    ("name", "advice"),
    [
        ("o" * 300, "choose a shorter name"),
        ("loop", "a link that leads back to itself; remove the link or name another file"),
        ("folder", "it is a folder; name a file in it"),
        ("no/such/out", "make the folder first"),
    ],
    ids=["long", "loop", "folder", "nowhere"],
)
def test_an_out_that_cant_be_is_told_with_what_to_do(tmp_path: Path, name: str, advice: str) -> None:
    (tmp_path / "loop").symlink_to("loop")
    (tmp_path / "folder").mkdir()
    done = cli.run("convert", "-", "--emit", "ledger", "--out", name, stdin=b"", cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, b"")
    assert done.stderr.startswith(b"drainledger: can't write ")
    assert done.stderr.decode().endswith(f"{advice}\n")
    assert {path.name for path in tmp_path.iterdir()} == {"loop", "folder"}


def test_the_longest_name_that_a_file_can_have_will_do(tmp_path: Path) -> None:
    out = tmp_path / ("o" * 255)
    assert cli.convert(CASE_1, "--out", str(out)).returncode == 0
    assert list(tmp_path.iterdir()) == [out]


@pytest.mark.parametrize("way", ["same", "dots", "link", "hard link", "standard input"])
def test_the_input_is_never_the_output(tmp_path: Path, way: str) -> None:
    path, content = tmp_path / "records.ndjson", cli.ndjson(CASE_1)
    path.write_bytes(content)
    out = {
        "dots": tmp_path / "sub" / ".." / path.name,
        "link": tmp_path / "link",
        "hard link": tmp_path / "hard",
    }
    (tmp_path / "sub").mkdir()
    (tmp_path / "link").symlink_to(path)
    (tmp_path / "hard").hardlink_to(path)
    arguments = ["convert", "-" if way == "standard input" else str(path), "--emit", "ledger"]
    with path.open("rb") as stdin:
        done = subprocess.run(
            [*cli.COMMAND, *arguments, "--out", str(out.get(way, path))],
            stdin=stdin,
            env=cli.environment(),
            capture_output=True,
            timeout=120,
            check=False,
        )
    assert (done.returncode, done.stdout) == (2, b"")
    assert done.stderr.decode().endswith("it is the file that is read; name another file\n")
    assert path.read_bytes() == content


@pytest.mark.parametrize(
    ("ordered", "counted"),
    # In order, a retraction of what has not come is late, and that counts as held.
    [((), "2 held, 2 waiting"), (("--assume-ordered",), "3 held, 1 waiting")],
    ids=["any order", "in order"],
)
def test_the_summary_counts_what_is_tied_to_no_known_drain(ordered: tuple[str, ...], counted: str) -> None:
    untied = [
        reading("r-8", "08:00", 10, "drn-unheard-of"),
        journals.retraction("x-1", "r-0", "10:00"),
        "{not json",
        {"record": "reading", "id": "r-9", "drain": "drn-unheard-of", "at": "09:00"},
    ]
    of_the_drain = {"record": "reading", "id": "r-7", "drain": "drn-7", "at": "09:00"}
    journal = [*CASE_1, *untied, of_the_drain]
    shown = cli.convert(journal, *ordered, emit="summary").stdout.decode()
    assert f"\nTied to no known drain: {counted}. Standard error says of each why.\n" in shown
    assert shown.splitlines()[1].split()[-2:] == ["1", "0"]
    assert "no known drain" not in cli.convert([*CASE_1, of_the_drain], emit="summary").stdout.decode()


def test_help_says_what_becomes_of_late_records() -> None:
    shown = " ".join(cli.run("convert", "--help").stdout.decode().split())
    assert "A record that comes later than that, or changes an older one, is left out and reported." in shown


def test_ids_with_spaces_stay_apart_in_the_csv() -> None:
    sample = journals.event("s 1", "sampled", "07:30", volume=journals.ml(5))
    journal = [*CASE_1[:3], reading("r 1", "07:00", 40), sample, reading("r-2 \u00e9", "08:00", 90)]
    rows = list(
        csv.DictReader(io.StringIO(cli.convert(journal, emit="ledger-csv").stdout.decode(), newline=""))
    )
    (ledger_,) = ledger(journal)["drains"]
    assert [json.loads(row["records"]) for row in rows] == [one["records"] for one in ledger_["intervals"]]
    assert rows[0]["records"] == '["r 1"]'
    assert rows[1]["records"] == '["r-2 \u00e9", "s 1"]'


def test_out_holds_what_standard_output_would_have(tmp_path: Path) -> None:
    out = tmp_path / "ledger.json"
    printed = cli.convert(CASE_1)
    written = cli.convert(CASE_1, "--out", str(out))
    assert written.stdout == b""
    assert out.read_bytes() == printed.stdout


def test_a_reader_that_goes_away_is_no_traceback(tmp_path: Path) -> None:
    path = tmp_path / "records.ndjson"
    path.write_bytes(cli.ndjson([*journals.start(), *(reading(f"r-{n}", "07:00", n) for n in range(500))]))
    command = " ".join(
        [*cli.COMMAND, "convert", str(path), "--emit", "resources", "--received-at", cli.RECEIVED]
    )
    done = subprocess.run(
        ["bash", "-c", f"{command} | head -c 10; exit ${{PIPESTATUS[0]}}"],
        env=cli.environment(),
        capture_output=True,
        timeout=120,
        check=False,
    )
    assert (done.returncode, done.stdout, done.stderr) == (141, b'{"resource', b"")


def test_a_fault_of_the_program_is_not_taken_for_held_records(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> int:
        raise ZeroDivisionError

    monkeypatch.setattr("drainledger.convert.commands.run_convert", fail)
    done = CliRunner().invoke(app, ["convert", "-", "--emit", "ledger"])
    assert done.exit_code == 70
    assert "ZeroDivisionError" in done.stderr
    assert "this is a fault of the program" in done.stderr


def test_nothing_on_a_pipe_is_coloured_or_moves() -> None:
    done = cli.convert([*CASE_1, "{"], emit="summary")
    assert b"\x1b" not in done.stdout + done.stderr
    assert b"\r" not in done.stdout + done.stderr


def test_an_empty_journal_is_an_empty_answer() -> None:
    assert json.loads(cli.convert([]).stdout) == {"drains": []}
    assert cli.convert([], emit="transaction").returncode == 0
    bundle = json.loads(cli.convert([], emit="bundle").stdout)
    assert bundle["resourceType"] == "Bundle"


def test_the_rows_of_the_csv_add_up_to_the_total() -> None:
    done = cli.convert(journals.ward(), emit="ledger-csv")
    rows = list(csv.DictReader(io.StringIO(done.stdout.decode(), newline="")))
    for drain in ("drn-1", "drn-2", "drn-3"):
        mine = [row for row in rows if row["drain"] == drain]
        assert mine
        assert sum(Decimal(row["output_ml"] or 0) for row in mine) == Decimal(mine[-1]["total_ml"])


def test_the_summary_carries_the_caution_and_a_lower_bound_says_so() -> None:
    printed = cli.convert(CASE_3, emit="summary").stdout.decode()
    (line,) = [line for line in printed.splitlines() if line.startswith("drn-7")]
    assert ">= 330" in line
    assert "Not a medical device, not an alarm. Check the patient" in printed


# -- FHIR ------------------------------------------------------------------------------------------------------------


def test_the_sum_of_9129_8_is_the_ledgers_output() -> None:
    # FHIR.md 1: adding up valueQuantity.value of every Observation coded 9129-8 gives the output.
    found = resources(cli.convert(journals.ward(), emit="resources"))
    coded = [
        resource
        for resource in found
        if any(coding.get("code") == "9129-8" for coding in resource.get("code", {}).get("coding", []))
    ]
    summed = sum(Decimal(one["valueQuantity"]["value"]) for one in coded if "valueQuantity" in one)
    drains = ledger(journals.ward())["drains"]
    assert summed == sum(Decimal(one["totals"][-1]["total_ml"]) for one in drains)
    assert len(coded) == sum(len(one["intervals"]) for one in drains)


def test_resources_bundle_and_transactions_hold_the_same_resources() -> None:
    lines = resources(cli.convert(journals.ward(), emit="resources"))
    bundle = json.loads(cli.convert(journals.ward(), emit="bundle").stdout, parse_float=Decimal)
    assert bundle["type"] == "collection"
    assert [entry["resource"] for entry in bundle["entry"]] == lines
    sent = [
        entry["resource"]
        for transaction in resources(cli.convert(journals.ward(), emit="transaction"))
        for entry in transaction["entry"]
    ]
    assert {named(one): one for one in sent} == {named(one): one for one in lines}
    assert len(sent) == len({named(one) for one in sent}) == len(lines)


@pytest.mark.parametrize("fhir", ["R4", "R5"])
def test_every_reference_leads_to_what_came_before_or_along(fhir: str) -> None:
    # FHIR.md, 'Bundle, transaction': the whole transaction fails where a reference does not resolve.
    here: set[str] = set()
    for transaction in resources(cli.convert(journals.ward(), "--fhir", fhir, emit="transaction")):
        assert transaction["type"] == "transaction"
        here |= {named(entry["resource"]) for entry in transaction["entry"]}
        for entry in transaction["entry"]:
            assert entry["request"] == {"method": "PUT", "url": named(entry["resource"])}
            assert set(references(entry["resource"])) <= here


def test_a_retracted_reading_says_that_it_should_never_have_existed() -> None:
    found = resources(cli.convert(journals.ward(), emit="resources"))
    withdrawn = [one for one in found if one.get("status") == "entered-in-error"]
    assert [one["code"]["coding"][0]["code"] for one in withdrawn if one["resourceType"] == "Observation"]
    assert all("valueQuantity" not in one for one in withdrawn)
    corrected = [one for one in found if one.get("status") == "corrected"]
    assert corrected


def test_the_secret_and_the_tenant_are_in_the_ids() -> None:
    def patients(*arguments: str, **env: str) -> set[str]:
        done = cli.convert(CASE_1, *arguments, emit="resources", env=cli.environment(**env))
        return {one["id"] for one in resources(done) if one["resourceType"] == "Patient"}

    plain = patients()
    assert len(plain) == 1
    assert plain.isdisjoint(patients("--tenant", "other"))
    assert plain.isdisjoint(patients(DRAINLEDGER_PATIENT_SECRET="long and random"))


def named(resource: dict[str, Any]) -> str:
    return f"{resource['resourceType']}/{resource['id']}"


def references(node: object) -> list[str]:
    if isinstance(node, list):
        return [found for child in node for found in references(child)]
    if not isinstance(node, dict):
        return []
    mine = [node["reference"]] if isinstance(node.get("reference"), str) else []
    return mine + [found for child in node.values() for found in references(child)]
