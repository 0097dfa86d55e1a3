"""`check` and `conformance`: what is wrong is told with its place, and what is right is said to be."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from drainledger import __version__
from drainledger.convert.check_resources import NOT_CHECKED, check_resources
from tests.convert import cli, journals
from tests.convert.journals import CASE_1, CASE_3, reading

MAPPINGS = cli.ROOT / "mappings"


def text(*arguments: str | Path, stdin: bytes = b"") -> tuple[int, list[str]]:
    done = cli.run(*arguments, stdin=stdin)
    assert done.stderr == b""
    return done.returncode, done.stdout.decode().splitlines()


def check_records(journal: Sequence[object]) -> tuple[int, list[str]]:
    return text("check", "records", "-", "--received-at", cli.RECEIVED, stdin=cli.ndjson(journal))


# -- records ---------------------------------------------------------------------------------------------------------


def test_each_line_is_said_to_become_what_it_becomes() -> None:
    code, lines = check_records(CASE_3)
    assert code == 0
    fall = lines.index("line 5  reading r-2 of drn-7: used")
    assert lines[fall + 1] == "    output not known since 2026-03-02T07:00:00+00:00 (unknown)"
    assert lines[fall + 2] == "    total 300 mL since 2026-03-02T06:00:00+00:00 (at-least)"
    # DESIGN 3 'Answer': the sentence for a nurse.
    assert lines[fall + 3] == (
        "    issue unexplained-fall: 120 mL at 08:00 is below 300 mL at 07:00, so output since 07:00 is not known. "
        "If the unit was changed, emptied or tipped, chart that; otherwise leave the reading as you saw it."
    )
    assert lines[fall + 4].startswith("    gives chamber-level, interval-output, running-total")


def test_lines_keep_their_order_and_every_standing_has_a_word() -> None:
    journal = [
        reading("r-9", "09:00", 10, "drn-unheard-of"),
        *CASE_1,
        CASE_1[3],
        reading("r-2", "08:00", 95),
        reading("r-5", "10:00", 5000),
        "{",
        reading("r-6", "10:30", 100),
        journals.retraction("x-1", "r-6", "11:00"),
    ]
    code, lines = check_records(journal)
    assert code == 1
    headings = [line for line in lines if line.startswith("line ")]
    assert headings == [
        "line 1  reading r-9 of drn-unheard-of: waiting",
        "line 2  drain drn-7: used",
        "line 3  collector col-3 of drn-7: used",
        "line 4  event ev-drn-7 of drn-7: used",
        "line 5  reading r-1 of drn-7: used",
        "line 6  reading r-2 of drn-7: used",
        "line 7  reading r-3 of drn-7: used",
        "line 8  reading r-1 of drn-7: a duplicate, already there",
        "line 9  reading r-2 of drn-7: held, not used",
        "line 10  reading r-5 of drn-7: set aside, not used",
        "line 11  record (no id): held, not used",
        "line 12  reading r-6 of drn-7: retracted",
        "line 13  retraction x-1 of drn-7: used",
    ]


def test_one_drain_can_be_asked_for() -> None:
    journal = [
        *journals.start("drn-1", "col-1", "P-1"),
        *journals.start("drn-2", "col-2", "P-1"),
        reading("a-1", "07:00", 40, "drn-1"),
        reading("b-1", "07:00", 300, "drn-2"),
        reading("b-1", "07:30", 300, "drn-2"),
        {"record": "reading", "id": "b-2", "drain": "drn-2", "at": "07:00", "level": {"value": 1}},
        journals.retraction("x-1", "a-1", "11:00"),
        journals.event("e-1", "tipped", "08:00", None, collector="col-1"),
    ]
    for drain, code, ids in (
        ("drn-1", 0, ["drn-1", "col-1", "ev-drn-1", "a-1", "x-1", "e-1"]),
        ("drn-2", 1, ["drn-2", "col-2", "ev-drn-2", "b-1", "b-1", "b-2"]),
    ):
        found = text(
            "check",
            "records",
            "-",
            "--received-at",
            cli.RECEIVED,
            "--drain",
            drain,
            stdin=cli.ndjson(journal),
        )
        headings = [line for line in found[1] if line.startswith("line ")]
        assert (found[0], [line.split()[3].strip(":") for line in headings]) == (code, ids)
    nobody = text("check", "records", "-", "--drain", "drn-3", stdin=cli.ndjson(journal))
    assert nobody == (1, ["no line concerns the drain drn-3; check its id"])


# -- mappings --------------------------------------------------------------------------------------------------------


def test_the_shipped_mappings_are_right_as_a_whole_and_one_by_one() -> None:
    for path in (MAPPINGS, MAPPINGS / "units.toml", MAPPINGS / "collectors" / "adult-single.toml"):
        assert text("check", "mapping", path) == (0, [f"{path}: nothing is wrong"])


def test_a_broken_mapping_is_told_with_file_line_and_key(tmp_path: Path) -> None:
    folder = tmp_path / "mappings"
    shutil.copytree(MAPPINGS, folder)
    broken = folder / "collectors" / "adult-single.toml"
    lines = broken.read_text(encoding="utf-8").splitlines()
    at = next(number for number, line in enumerate(lines) if line.startswith("capacity"))
    lines[at] = 'capacity = "plenty"'
    broken.write_text("\n".join(lines), encoding="utf-8")
    code, told = text("check", "mapping", folder)
    assert code == 1
    assert told
    assert told[0].startswith(f"{broken}, line {at + 1}, chambers[0].capacity: ")
    converting = cli.run("convert", "-", "--emit", "ledger", "--mappings", folder, stdin=b"")
    assert converting.returncode == 2
    assert f"{broken}, line {at + 1}, chambers[0].capacity: " in converting.stderr.decode()


@pytest.mark.parametrize("name", ["nonexist", "n" * 300])
def test_a_mapping_that_is_not_there_is_wrong_usage(name: str) -> None:
    done = cli.run("check", "mapping", name)
    assert (done.returncode, done.stdout) == (2, b"")
    assert done.stderr.decode() == (
        f"drainledger: {name}: is not there; name a mapping file, or the folder of all of them\n"
    )


# -- resources -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("fhir", ["R4", "R5"])
@pytest.mark.parametrize("emit", ["resources", "bundle", "transaction"])
def test_what_convert_gives_is_valid(fhir: str, emit: str) -> None:
    made = cli.convert(journals.ward(), "--fhir", fhir, emit=emit).stdout
    code, lines = text("check", "resources", "-", "--fhir", fhir, stdin=made)
    assert code == 0, lines
    assert lines[-2].endswith(f"resources checked against {fhir}, 0 faults")
    assert int(lines[-2].split()[0]) > 100


def test_a_fault_in_a_resource_is_told_with_its_place_and_without_its_value() -> None:
    observation = {"resourceType": "Observation", "id": "o-1", "status": "final", "code": {"text": "x"}}
    wrong = observation | {"id": "o-2", "valueQuantity": {"value": "P-1042 is 40"}}
    bundle = {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [{"resource": {"resourceType": "Observation"}}],
    }
    given = [observation, wrong, "{", {"resourceType": "Quantity"}, {"id": "o-3"}, bundle]
    code, lines = text("check", "resources", "-", stdin=cli.ndjson(given))
    assert code == 1
    assert [line.split(": ")[0] for line in lines[:-2]] == [
        "line 2",
        "line 3",
        "line 4",
        "line 5",
        *["line 6"] * (len(lines) - 6),
    ]
    assert lines[0].startswith("line 2: Observation/o-2 /valueQuantity/value: ")
    assert "P-1042" not in "".join(lines)
    assert any("/entry/0/resource/status" in line or "/entry/0/resource/code" in line for line in lines)


def test_an_indented_resource_is_one_document() -> None:
    pretty = json.dumps({"resourceType": "Patient", "id": "p-1"}, indent=2).encode()
    assert text("check", "resources", "-", stdin=pretty) == (
        0,
        ["1 resources checked against R4, 0 faults", NOT_CHECKED],
    )


PATIENT = b'{"resourceType": "Patient", "id": "p-1"}'


def test_a_broken_line_costs_only_itself_wherever_it_stands() -> None:
    """The first line too: it does not make one document of all."""
    for at in range(3):
        given = [PATIENT] * 3
        given[at] = b'{"resourceType": "Patient", '
        code, lines = text("check", "resources", "-", stdin=b"\n".join(given))
        assert code == 1
        assert lines[0].startswith(f"line {at + 1}: is not JSON: ")
        assert lines[1:] == ["2 resources checked against R4, 1 faults", NOT_CHECKED]


def test_resources_are_checked_while_they_are_read() -> None:
    """A file of any length takes the memory of one line."""
    read = []

    def lines() -> Iterator[tuple[int, bytes]]:
        for number in range(1, 4):
            read.append(number)
            yield number, PATIENT

    found = check_resources(lines(), "R4")
    assert next(found).resources == 1
    assert read == [1]


def test_a_broken_document_of_many_lines_is_told_with_the_line_where_it_breaks() -> None:
    pretty = json.dumps({"resourceType": "Patient", "id": "p-1", "active": True}, indent=2).encode()
    code, lines = text("check", "resources", "-", stdin=b"\n" + pretty.replace(b'"p-1",', b'"p-1"'))
    assert code == 1
    assert [line.partition(": is")[0] for line in lines] == [
        "line 5",
        "0 resources checked against R4, 1 faults",
        NOT_CHECKED,
    ]


@pytest.mark.parametrize(
    "unnoticed",
    [
        {"resourceType": "Observation", "id": "o", "status": "no-such-status", "code": {"text": "x"}},
        {"resourceType": "Patient", "id": "p", "contact": [{"gender": "other"}]},  # pat-1
        {"resourceType": "Patient", "id": "p", "managingOrganization": {"reference": "Organization/gone"}},
        {"resourceType": "Patient", "id": "p", "meta": {"profile": ["https://ward.example/none"]}},
    ],
    ids=["code", "invariant", "reference", "profile"],
)
def test_what_is_said_not_to_be_checked_is_not(unnoticed: dict[str, object]) -> None:
    assert text("check", "resources", "-", stdin=cli.ndjson([unnoticed]))[0] == 0


def test_nothing_checked_is_not_a_pass() -> None:
    assert text("check", "resources", "-", stdin=b"\n") == (
        1,
        ["0 resources checked against R4, 0 faults", NOT_CHECKED],
    )


# -- conformance -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("fhir", ["R4", "R5"])
def test_the_conformance_resources_are_written_and_valid(tmp_path: Path, fhir: str) -> None:
    out = tmp_path / "new" / "folder"
    code, written = text("conformance", "--fhir", fhir, "--out", out, "--base", "https://ward.example/fhir/")
    assert code == 0
    paths = sorted(out.iterdir())
    assert sorted(written) == [str(path) for path in paths]
    resources = [json.loads(path.read_text(encoding="utf-8")) for path in paths]
    assert [path.name for path in paths] == [f"{one['resourceType']}-{one['id']}.json" for one in resources]
    kinds = {one["resourceType"] for one in resources}
    assert {"CodeSystem", "ValueSet", "ConceptMap", "StructureDefinition", "CapabilityStatement"} <= kinds
    assert sum(one["resourceType"] == "ViewDefinition" for one in resources) == 5
    for path in paths:
        if path.name.startswith("ViewDefinition-"):
            continue  # of SQL on FHIR, not of R4 or R5: tests/tables runs them
        code, lines = text("check", "resources", path, "--fhir", fhir)
        assert code == 0, lines
    (codes,) = [one for one in resources if one["resourceType"] == "CodeSystem"]
    assert codes["url"] == "https://ward.example/fhir/CodeSystem/chest-drain"


# -- the command itself ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "command",
    [
        [],
        ["convert"],
        ["conformance"],
        ["check"],
        ["check", "mapping"],
        ["check", "records"],
        ["check", "resources"],
    ],
    ids=lambda command: " ".join(command) or "drainledger",
)
def test_help_teaches_with_an_example_and_carries_the_caution(command: list[str]) -> None:
    code, lines = text(*command, "--help")
    assert code == 0
    assert any(line.strip().startswith("drainledger ") for line in lines)
    shown = " ".join(" ".join(lines).split())
    assert (
        "Not a medical device, not an alarm. Check the patient; local policy and licensed practice decide."
        in shown
    )


def test_version() -> None:
    assert text("--version") == (0, [f"drainledger {__version__}"])
    assert cli.run("--help").stdout.startswith(b"Usage: drainledger ")


def test_help_needs_none_of_the_heavy_libraries() -> None:
    # --help answers at once because nothing slow is imported for it; a clock would only say how busy the machine is.
    script = (
        "import sys; from drainledger.cli import app\n"
        "try: app(['convert', '--help'])\n"
        "except SystemExit: pass\n"
        "print([name for name in ('pint', 'fhir.resources', 'rich', 'drainledger.fhir') if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", script],
        env=cli.environment(),
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    assert done.stdout.splitlines()[-1] == "[]"
