"""Rules of rendering that stand by themselves: what is switched off, times, settings, Bundles, the ledger rule."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from decimal import Decimal

import msgspec
import pytest

from drainledger.fhir import DuplicateResource, MissingCode, Renderer, bundle
from drainledger.fhir.fragments import TimeTexts, quote, uri
from tests.fhir import samples


def without(*codes: str) -> Renderer:
    """A renderer of a site that doesn't send these codes."""
    known = samples.mappings().codes
    return Renderer(
        {name: msgspec.structs.replace(code, emit=name not in codes) for name, code in known.items()}
    )


def test_loinc_output_stands_on_intervals_alone() -> None:
    """FHIR.md 1: adding up 9129-8 gives the output."""
    renderer = Renderer(samples.mappings().codes)
    entry = samples.read(leak_free_hours=Decimal(1))
    made = renderer.node(entry, samples.DRAIN, samples.unit()) + renderer.window(
        samples.window(), samples.DRAIN
    )
    assert [each.code for each in made if b"9129-8" in each.body] == ["interval-output"]
    assert not [each for each in made if b"9257-7" in each.body]


def test_a_code_switched_off_is_not_sent_and_nothing_refers_to_it() -> None:
    renderer = without("interval-output", "chamber-level")
    made = renderer.node(samples.read(findings=(samples.finding(),)), samples.DRAIN, samples.unit())
    made += renderer.window(samples.window(), samples.DRAIN)
    known = {each.reference for each in made}
    referred = {
        word
        for each in made
        for word in each.body.decode().split('"')
        if word.startswith(("Observation/", "DetectedIssue/"))
    }
    assert referred <= known
    assert "interval-output" not in {each.code for each in made}


def test_everything_switched_off_gives_nothing() -> None:
    observations = [code.code for code in samples.mappings().codes.values() if code.kind == "observation"]
    renderer = without(*observations)
    assert renderer.node(samples.read(), samples.DRAIN, samples.unit()) == []
    assert renderer.window(samples.window(), samples.DRAIN) == []


def test_a_missing_code_is_named() -> None:
    codes = {name: code for name, code in samples.mappings().codes.items() if name != "running-total"}
    with pytest.raises(MissingCode, match="'running-total' is needed for FHIR"):
        Renderer(codes)


@pytest.mark.parametrize("base", ["https://x.example/fhir/", 'https://x.example/"'])
def test_a_base_that_is_no_plain_url_is_refused(base: str) -> None:
    with pytest.raises(ValueError, match="plain URL"):
        Renderer(samples.mappings().codes, base=base)


@pytest.mark.parametrize(
    ("zone", "instant", "written"),
    [
        ("Europe/Lisbon", datetime(2026, 3, 29, 0, 59, tzinfo=UTC), "2026-03-29T00:59:00+00:00"),
        ("Europe/Lisbon", datetime(2026, 3, 29, 1, 0, tzinfo=UTC), "2026-03-29T02:00:00+01:00"),
        ("Asia/Kolkata", datetime(2026, 3, 29, 1, 0, 5, tzinfo=UTC), "2026-03-29T06:30:05+05:30"),
        (
            "America/New_York",
            datetime(2026, 3, 8, 7, 0, 0, 120000, tzinfo=UTC),
            "2026-03-08T03:00:00.120000-04:00",
        ),
        ("Europe/Lisbon", datetime(1890, 1, 1, tzinfo=UTC), "1890-01-01T00:00:00+00:00"),
    ],
)
def test_times_carry_the_wards_offset(zone: str, instant: datetime, written: str) -> None:
    """IANA time zone database: Lisbon's clocks went forward at 01:00 UTC on 2026-03-29, New York's at 07:00 UTC on
    2026-03-08. Before 1912 Lisbon's offset was no whole minutes, which FHIR can't write."""
    assert TimeTexts(zone)(instant) == written


@pytest.mark.parametrize(
    ("value", "written"), [("40", "40"), ("40.0", "40.0"), ("0.010", "0.010"), ("1E+3", "1000")]
)
def test_decimals_are_written_as_they_are(value: str, written: str) -> None:
    """R4 datatypes.html#decimal: precision is part of the value; never an exponent."""
    made = Renderer(samples.mappings().codes).node(
        samples.read(levels=(samples.level_at(samples.R1, value, 7),)), samples.DRAIN
    )
    assert f'"valueQuantity":{{"value":{written},"unit"' in made[0].body.decode()


def test_strings_are_escaped() -> None:
    assert json.loads(quote('a "b" \\ é \n')) == 'a "b" \\ é \n'


def test_a_system_holds_no_white_space() -> None:
    """R4 datatypes.html#uri: \\S*."""
    assert uri("https://ward.example/mrn of\u00a0ours") == "https://ward.example/mrn%20of%C2%A0ours"


def test_spaces_of_other_widths_become_plain_ones() -> None:
    """R4 datatypes.html#string: [ \\r\\n\\t\\S]+."""
    assert json.loads(quote("two\u00a0words\u2028\u3000three")) == "two words  three"


def test_a_collection() -> None:
    made = Renderer(samples.mappings().codes).node(samples.read(), samples.DRAIN, samples.unit())
    body = json.loads(b"".join(bundle("collection", made, base=samples.BASE)))
    assert (body["resourceType"], body["type"]) == ("Bundle", "collection")
    assert [each["resource"] for each in body["entry"]] == [json.loads(each.body) for each in made]
    assert not [each for each in body["entry"] if "request" in each]


def test_a_transaction_puts_each_under_its_own_id() -> None:
    made = Renderer(samples.mappings().codes).drain(samples.DRAIN)
    body = json.loads(b"".join(bundle("transaction", made, base=samples.BASE)))
    for entry, resource in zip(body["entry"], made, strict=True):
        assert entry["request"] == {"method": "PUT", "url": resource.reference}
        assert entry["fullUrl"] == f"{samples.BASE}/{resource.reference}"


def test_each_identity_once_in_a_bundle() -> None:
    """R4 http.html#trules."""
    (patient, *_) = Renderer(samples.mappings().codes).drain(samples.DRAIN)
    with pytest.raises(DuplicateResource, match="would stand twice"):
        list(bundle("transaction", [patient, patient], base=samples.BASE))


def test_a_bundle_of_nothing_has_no_empty_array() -> None:
    assert json.loads(b"".join(bundle("collection", [], base=samples.BASE))) == {
        "resourceType": "Bundle",
        "type": "collection",
    }
