"""Whose data it is: the ids of the Patients of drains, for the audit trail. Never their identifiers."""

from __future__ import annotations

from collections.abc import Collection

from drainledger.domain.records import Drain
from drainledger.domain.statements import Slot
from drainledger.fhir import Renderer
from drainledger.store.read import Read


def patients_of(read: Read, renderer: Renderer, drains: Collection[str]) -> dict[str, str]:
    """Drain -> the id of its Patient, by the drain's first record: a drain's patient can't be corrected, and one that
    was retracted was the patient's all the same. Drains that have no record yet are left out."""
    rows = read.find([Slot("drain", "", drain) for drain in drains]) if drains else {}
    records = (row.record for row in rows.values())
    return {each.id: renderer.ids.patient(each.patient) for each in records if isinstance(each, Drain)}


def audited_patients(read: Read, renderer: Renderer, drains: Collection[str]) -> tuple[str, ...]:
    """The ids of the Patients of these drains, each once, sorted."""
    return tuple(sorted(set(patients_of(read, renderer, drains).values())))
