"""Which drain an Observation is about, and whether it is this patient's: a reading on the wrong patient is refused."""

from __future__ import annotations

from typing import Final

from drainledger.domain.records import Drain
from drainledger.fhir.about import site
from drainledger.fhir.fragments import uri
from drainledger.fhir.reading.concepts import codings
from drainledger.fhir.reading.desk import Named
from drainledger.fhir.reading.references import Ref, named, read_reference
from drainledger.fhir.reading.seen import Seen

_DEVICES: Final = ("Device", "DeviceMetric")


def read_place(seen: Seen) -> None:
    """The drain in focus, and the collector in focus or by which it was read."""
    found: list[tuple[Named, str]] = []
    for raw, path in seen.notes.objects(seen.resource, "focus", seen.path):
        found += _known(seen, read_reference(seen.notes, seen.desk, raw, path))
    device = seen.notes.object(seen.resource, "device", seen.path)
    if device is not None:
        found += _known(seen, read_reference(seen.notes, seen.desk, device, f"{seen.path}.device"))
    seen.drain = _only(seen, found, "drain")
    seen.collector = _only(seen, found, "collector")
    if seen.collector is not None:
        seen.places["/collector"] = next(path for one, path in found if one.kind == "collector")
        _check_chamber(seen, found)


def _known(seen: Seen, ref: Ref) -> list[tuple[Named, str]]:
    found = named(seen.desk, ref)
    if not found:
        seen.notes.warn(ref.path, "This is no drain and no collector that is known here, so it is not kept.")
    return [(one, ref.path) for one in found]


def _only(seen: Seen, found: list[tuple[Named, str]], kind: str) -> str | None:
    ids = {one.id for one, _ in found if one.kind == kind}
    if len(ids) > 1:
        path = [path for one, path in found if one.kind == kind][-1]
        seen.notes.refuse(
            path, "conflict", f"More than one {kind} is named here. One reading is of one {kind}."
        )
    return min(ids, default=None)


def _check_chamber(seen: Seen, found: list[tuple[Named, str]]) -> None:
    """A drain that no focus names is the one on the chamber; one that is named must be among those on it."""
    collector = seen.collector
    assert collector is not None
    chambers = {one.chamber for one, _ in found if one.kind == "collector" and one.chamber is not None}
    path = seen.places["/collector"]
    if len(chambers) > 1:
        seen.notes.refuse(
            path, "conflict", "More than one chamber is named here. One reading is of one chamber."
        )
        return
    drains = seen.desk.directory.drains_on(collector, chambers.pop() if chambers else None)
    if seen.drain is None and len(drains) == 1:
        seen.drain = next(iter(drains))
    elif seen.drain is not None and drains and seen.drain not in drains:
        seen.notes.refuse(
            path,
            "conflict",
            "The drain in focus was never charted to this unit or chamber. Check which of the two was read.",
        )


def check_whose(seen: Seen, drain_id: str | None) -> None:
    """The subject must be the patient of the drain, and side and number must not speak against it."""
    if drain_id is None:
        seen.notes.refuse(
            f"{seen.path}.focus",
            "required",
            "Which drain this is about can't be told. Put the drain in focus: its Device as it is served here, or an "
            f"identifier of the system {seen.desk.sid('device')} with the value drain.ID (a dot in the ID as %2E).",
        )
        return
    drain = seen.desk.directory.drain(drain_id)
    _check_subject(seen, drain)
    if drain is not None:
        _check_site(seen, drain)
        _check_encounter(seen, drain)
        _check_number(seen, drain)


def _check_subject(seen: Seen, drain: Drain | None) -> None:
    path = f"{seen.path}.subject"
    raw = seen.notes.object(seen.resource, "subject", seen.path)
    if raw is None:
        if seen.resource.get("subject") is None:
            text = (
                "Say whose drain it is, by the Patient as it is served here or by the patient's identifier."
            )
            seen.notes.refuse(path, "required", text)
        return
    ref = read_reference(seen.notes, seen.desk, raw, path)
    if ref.type not in (None, "Patient") or (ref.id is None and ref.value is None):
        seen.notes.refuse(
            path,
            "business-rule",
            "Whose drain it is can't be told from this. Refer to the Patient as it is served here, or by identifier.",
        )
    elif drain is None:
        seen.notes.refuse(
            path,
            "not-found",
            "The drain's own record has not come yet, so nobody can check that it is this patient's. Send that record "
            "to /v1/records first, and then this again; nothing was taken.",
        )
    elif not _is_patient(seen, ref, drain):
        seen.notes.refuse(
            path,
            "business-rule",
            "The subject is not the patient of the drain that this names. Check the patient and the drain; nothing was "
            "taken.",
        )


def _is_patient(seen: Seen, ref: Ref, drain: Drain) -> bool:
    by_id = ref.id is None or ref.id == seen.desk.directory.patient(drain)
    of = drain.patient
    by_identifier = ref.value is None or (ref.system, ref.value) in (
        (uri(of.system), of.value),
        (of.system, of.value),
    )
    return by_id and by_identifier


def _check_site(seen: Seen, drain: Drain) -> None:
    raw = seen.notes.object(seen.resource, "bodySite", seen.path)
    if raw is None:
        return
    path = f"{seen.path}.bodySite"
    said = codings(seen.notes, raw, path, seen.desk.vocabulary.system)
    lies = site(seen.desk.vocabulary, drain)
    known = [
        coding["code"] for coding in lies.get("coding", []) if coding["system"] == seen.desk.vocabulary.system
    ]
    if not said:
        seen.notes.warn(
            path, "Not compared: the site is that of the drain's own record. Use the project's own codes."
        )
    elif said != known:
        seen.notes.refuse(
            path,
            "business-rule",
            "The drain's own record says another site. Check the side, and which drain was read.",
        )


def _check_number(seen: Seen, drain: Drain) -> None:
    if seen.number is None:
        return
    said, path = seen.number
    if drain.label is None:
        seen.notes.warn(path, "Not kept: the drain's own record has no label.")
    elif said != drain.label:
        text = "The drain's own record has another number. Check which drain was read."
        seen.notes.refuse(path, "business-rule", text)


def _check_encounter(seen: Seen, drain: Drain) -> None:
    raw = seen.notes.object(seen.resource, "encounter", seen.path)
    if raw is None:
        return
    path = f"{seen.path}.encounter"
    ref = read_reference(seen.notes, seen.desk, raw, path)
    of = drain.encounter
    if of is None or (ref.system, ref.value) not in ((uri(of.system), of.value), (of.system, of.value)):
        seen.notes.warn(path, "Not kept: the encounter is that of the drain's own record.")
