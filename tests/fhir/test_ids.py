"""Ids keep to FHIR's type `id`, depend on keys alone, and no two keys meet."""

from __future__ import annotations

import re
import uuid

from hypothesis import given
from hypothesis import strategies as st

from drainledger.domain.records import Identifier, Key
from drainledger.fhir.ids import Ids, join, key_text, part_text, readable, uuid5
from tests.fhir.strategies import ids as record_ids

FHIR_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")  # R4 datatypes.html#id
NAMESPACE = uuid.UUID("0d1f3a52-7c1e-5b0e-9f55-2f7f0a4d9c11")
BASE = "https://drainledger.example/fhir"

keys = st.builds(Key, st.sampled_from(["reading", "event", "drain"]), record_ids, record_ids)


@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_uuid5_is_that_of_rfc_4122(name: str) -> None:
    """Against the standard library's uuid.uuid5."""
    assert uuid5(NAMESPACE.bytes, name) == str(uuid.uuid5(NAMESPACE, name))


@given(keys, st.text(max_size=60))
def test_every_id_is_a_fhir_id(key: Key, part: str) -> None:
    made = Ids(BASE, "t", b"").of(key, f"{part.encode('utf-8', 'replace').decode()}.chamber-level")
    assert FHIR_ID.fullmatch(made)


@given(keys, keys)
def test_no_two_keys_meet(one: Key, other: Key) -> None:
    ids = Ids(BASE, "t", b"")
    assert (ids.record(one) == ids.record(other)) == (one == other)
    if one.source and other.source:
        assert (key_text(one) == key_text(other)) == (one[1:] == other[1:])


def test_pieces_of_a_key_do_not_run_into_each_other() -> None:
    ids = Ids(BASE, "t", b"")
    assert ids.record(Key("reading", "a|1", "b")) != ids.record(Key("reading", "a", "1|b"))
    assert key_text(Key("reading", "a.b", "c")) != key_text(Key("reading", "a", "b.c"))


@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_identifiers_need_no_escaping_in_a_search(text: str) -> None:
    """R4 search.html#escaping: comma, bar, dollar and backslash; nor white space or control characters."""
    assert not set(readable(text)) & set(',|$\\ "\t\n')
    assert part_text("A.final.chamber-level") == "A.final.chamber-level"


def test_a_part_that_does_not_fit_is_hashed() -> None:
    owner = str(NAMESPACE)
    assert join(owner, "chamber-level") == f"{owner}.chamber-level"
    long = join(owner, "suction-differs-from-prescribed")
    assert long == str(uuid.uuid5(NAMESPACE, "suction-differs-from-prescribed"))
    assert join(owner, "Ä.chamber-level") != join(owner, "Ö.chamber-level")


def test_tenants_and_sites_never_share_an_id() -> None:
    key = Key("reading", "ward", "r-1")
    made = {Ids(base, tenant, b"").record(key) for base in (BASE, f"{BASE}2") for tenant in ("a", "b")}
    assert len(made) == 4


def test_a_patient_is_not_guessed_back_without_the_secret() -> None:
    patient = Identifier("https://ward.example/mrn", "P-1042")
    known, other = Ids(BASE, "t", b"one"), Ids(BASE, "t", b"two")
    assert known.patient(patient) != other.patient(patient)
    assert known.record(Key("drain", "", "d")) == other.record(Key("drain", "", "d"))
    assert known.patient(patient) == Ids(BASE, "t", b"one").patient(patient)
