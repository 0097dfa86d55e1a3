"""What the service gives out of the demonstration's ward, posted again under other identifiers, says the same.

Expected are the records of the fixtures themselves, as the contract reads them.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from drainledger.domain.book import Book
from drainledger.domain.records import CHANGE_KINDS, Collector, Event, Key, Reading, Record
from drainledger.domain.validation import Parsed, read
from drainledger.fhir import Renderer
from drainledger.fhir.dialect import adapt
from drainledger.fhir.reading import Named, Posted
from drainledger.fhir.reading.values import TAKEN
from drainledger.rest.stored import decode
from tests.fhir import samples
from tests.reading.desk import RENDERER, Known, judged, read_all

SOURCE = "bedside"
FIXTURES = Path(__file__).parents[2] / "fixtures"
FILES = sorted([FIXTURES / "ward.ndjson", *(FIXTURES / "situations").glob("*.ndjson")])


@cache
def records(path: Path) -> list[Record]:
    units = samples.mappings().units
    outcomes = [
        read(line, source=SOURCE, units=units, received_at=None) for line in path.read_bytes().splitlines()
    ]
    return [outcome.record for outcome in outcomes if isinstance(outcome, Parsed)]


@cache
def book_of(path: Path) -> Book:
    book = Book(samples.mappings().rules)
    for record in records(path):
        book.add(record)
    book.refold()
    return book


def rendered(path: Path, renderer: Renderer) -> Iterator[tuple[Record, list[dict[str, Any]]]]:
    """Each record that a ledger holds, as last corrected, and the Observations that are emitted of it."""
    book = book_of(path)
    for drain_id in book.drain_ids():
        ledger, drain = book.ledger(drain_id), book.drain(drain_id)
        assert ledger is not None
        assert drain is not None
        for entry in ledger.nodes:
            use = None if entry.connection is None else book.collector(entry.connection.collector)
            made = [each for each in renderer.node(entry, drain, use) if each.type == "Observation"]
            yield entry.record, [decode(each.body) | {"_code": each.code} for each in made]


def known(path: Path) -> Known:
    """All that the fixtures charted, by the ids under which it is served."""
    ids = RENDERER.ids
    book = book_of(path)
    drains = {each: drain for each in book.drain_ids() if (drain := book.drain(each)) is not None}
    devices = {ids.drain(each): Named("drain", each) for each in drains}
    on: dict[str, dict[str, Collection[str]]] = {}
    for one in records(path):
        if isinstance(one, Collector):
            devices[ids.collector(one.id)] = Named("collector", one.id)
            for chamber in samples.mappings().rules.profiles[one.profile].chambers:
                metric = ids.of(one.key, f"level.{chamber.id}")
                devices[metric] = Named("collector", one.id, chamber.id)
            for channel in ("pressure", "air-flow"):
                devices[ids.of(one.key, channel)] = Named("collector", one.id)
        elif isinstance(one, Event) and one.kind in CHANGE_KINDS and one.drain and one.collector:
            chambers = on.setdefault(one.collector, {})
            chambers[one.chamber or "A"] = {*chambers.get(one.chamber or "A", ()), one.drain}
    return Known(drains, on, ("leak-grade-0-5", "leak-grade-0-3"), devices)


def posted(observations: list[dict[str, Any]], fhir: Any) -> list[Posted]:
    """Those that may be posted, under identifiers of their own; the panel refers to these alone."""
    mine = [one for one in observations if one["_code"] in TAKEN and not _computed(one)]
    urls = {f"Observation/{one['id']}": f"urn:uuid:{place}" for place, one in enumerate(mine)}
    made = []
    for place, one in enumerate(mine):
        body = {name: value for name, value in adapt(one, fhir).items() if name != "_code"}
        body["identifier"] = [{"system": "https://other.example", "value": one["identifier"][0]["value"]}]
        if body["status"] in ("corrected", "amended"):
            body["status"] = "final"
        if _is_own_sentence(one):
            del body["note"]
        if "hasMember" in body:
            body["hasMember"] = [
                {"reference": urls[each["reference"]]}
                for each in body["hasMember"]
                if each["reference"] in urls
            ]
        made.append(Posted(body, f"Bundle.entry[{place}].resource", f"urn:uuid:{place}"))
    return made


def _is_error(one: dict[str, Any]) -> bool:
    """A value that could not be so, and was not given out: there is nothing to post."""
    return any(each["code"] == "error" for each in one.get("dataAbsentReason", {}).get("coding", []))


def _is_own_sentence(one: dict[str, Any]) -> bool:
    """Why the service set a value aside: no note of who read."""
    text: str = one.get("note", [{"text": "Level not read"}])[0]["text"]
    code: str = one["_code"]
    return code in ("chamber-level", "air-leak-grade") and not text.startswith("Level not read")


def _computed(one: dict[str, Any]) -> bool:
    """An interval that was worked out from levels, and no amount that somebody charted."""
    method: str | None = one.get("method", {}).get("coding", [{}])[0].get("code")
    code: str = one["_code"]
    return code == "interval-output" and method != "charted-amount"


def said(record: Record) -> dict[str, Any]:
    """What of a record an Observation carries. A unit that is named or not, who read and when that was charted may
    differ; gravity is 0 in suction and the indicator of prescribed suction has no place in an event."""
    assert isinstance(record, Reading | Event)
    fields = replace(record, key=Key("reading", "", ""), recorded_at=None, observer=None, collector=None)
    found = {name: getattr(fields, name) for name in fields.__struct_fields__}
    if isinstance(record, Reading) and record.suction is not None and record.suction.mode == "gravity":
        found["suction"] = replace(record.suction, set=record.suction.set or 0)
    return {name: value for name, value in found.items() if value not in (None, ())}


@pytest.mark.parametrize("fhir", ["R4", "R5"])
@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_what_is_given_out_can_be_posted_and_says_the_same(path: Path, fhir: Any) -> None:
    directory = known(path)
    compared = 0
    for original, observations in rendered(path, RENDERER):
        sent = posted(observations, fhir)
        if not sent or not _is_posted(original) or any(map(_is_error, observations)):
            continue
        (one,) = read_all(*sent, known=directory)
        assert one.record is not None, [each for each in one.faults if each.severity == "error"]
        mine, theirs = said(judged(one.record)), said(original)
        if "from_" not in theirs:
            mine.pop("from_", None)  # worked out by the ledger: since the amount before
        assert mine == theirs, original.key
        compared += 1
    assert compared >= (100 if path.stem == "ward" else 1)


def _is_posted(record: Record) -> bool:
    """Readings, and the events that are Observations of their own."""
    if isinstance(record, Event):
        return record.kind in ("sampled", "irrigated", "reinfused", "suction-prescribed")
    return isinstance(record, Reading)
