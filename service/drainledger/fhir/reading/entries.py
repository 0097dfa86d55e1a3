"""Posted Observations to records: each alone, or a panel and its members to the one reading that they are."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from msgspec import Struct

from drainledger.fhir.reading.concepts import local_code
from drainledger.fhir.reading.desk import Desk
from drainledger.fhir.reading.elements import check_elements
from drainledger.fhir.reading.notes import Fault
from drainledger.fhir.reading.seen import Json, Seen
from drainledger.fhir.reading.values import EVENTS, check_code, check_scale, read_values
from drainledger.fhir.reading.when import PANEL, read_times, same_instant
from drainledger.fhir.reading.who import UNNAMED, read_identity, read_note, read_people
from drainledger.fhir.reading.whose import check_whose, read_place

#: What a member may say otherwise than its panel, for the reading has one of each.
_SHARED: Final = ("observer", "note")


class Posted(Struct, frozen=True):
    """A resource as decoded (fractional numbers as Decimals), the FHIRPath of it, and by what others refer to it."""

    resource: object
    path: str = "Observation"
    full_url: str | None = None


class Understood(Struct, frozen=True, kw_only=True):
    """What was made of one or more resources.

    `of`: which of the posted, the panel first; `codes` and `paths` those of each. `record` is one of the contract, None
    where the faults hold an error. `places`: JSON pointers into the record to FHIRPaths. `identified`: the record's
    id is of the resource's identifier, else it was made up. `faults` in the order of what was posted. `drain`: the
    drain record that they name.
    """

    of: tuple[int, ...]
    codes: tuple[str, ...]
    paths: tuple[str, ...]
    record: Json | None
    places: Mapping[str, str]
    identified: bool
    faults: tuple[Fault, ...]
    drain: str | None = None


def read_entries(posted: Sequence[Posted], desk: Desk, new_id: Callable[[], str]) -> list[Understood]:
    """All of them, in the order of the first of each. `new_id` gives ids to what has no identifier. Never raises on
    content."""
    seen = [_read(one, desk) for one in posted]
    members = _members(seen, posted, desk)
    inside = {place for places in members.values() for place in places}
    made = []
    for place, one in enumerate(seen):
        if place in members:
            made.append(_joined(one, place, [(other, seen[other]) for other in members[place]], new_id))
        elif place not in inside:
            made.append(_alone(one, place, new_id))
    return made


def _read(posted: Posted, desk: Desk) -> Seen:
    resource = posted.resource
    seen = Seen(resource if isinstance(resource, dict) else {}, posted.path, desk)
    if not isinstance(resource, dict):
        seen.notes.refuse(posted.path, "structure", "A resource is a JSON object.")
        return seen
    if resource.get("resourceType") != "Observation":
        seen.notes.refuse(posted.path, "not-supported", "Only Observations can be read as records here.")
        return seen
    check_elements(seen.notes, resource, posted.path)
    read_identity(seen)
    read_note(seen)
    _read_code(seen)
    read_place(seen)
    read_people(seen)
    read_times(seen, amount=seen.code == "interval-output")
    if seen.code:
        read_values(seen)
    return seen


def _read_code(seen: Seen) -> None:
    concept = seen.notes.object(seen.resource, "code", seen.path)
    if concept is None:
        if seen.resource.get("code") is None:
            seen.notes.refuse(
                f"{seen.path}.code", "required", "An Observation has a code, which says what was read."
            )
        return
    seen.code = local_code(seen.notes, seen.desk, concept, f"{seen.path}.code") or ""
    if seen.code and not check_code(seen):
        seen.code = ""


# Panels


def _members(seen: Sequence[Seen], posted: Sequence[Posted], desk: Desk) -> dict[int, list[int]]:
    """Which of the posted are members of which panel."""
    found: dict[int, list[int]] = {}
    taken: set[int] = set()
    for place, one in enumerate(seen):
        raw = one.resource.get("hasMember")
        if one.code != PANEL:
            if raw is not None:
                one.notes.warn(f"{one.path}.hasMember", "Only a panel has members here; these are not kept.")
            continue
        found[place] = []
        for reference, path in one.notes.objects(one.resource, "hasMember", one.path):
            member = _target(posted, one.notes.text(reference, "reference", path), desk)
            if member is None or member == place:
                one.notes.refuse(
                    path,
                    "not-found",
                    "A panel and its members are one reading: send them in one transaction, and refer to the members "
                    "by their fullUrl. What was sent before can't join it.",
                )
            elif member in taken or seen[member].code == PANEL:
                one.notes.refuse(
                    path, "duplicate", "This is a panel itself, or a member already. Name each once."
                )
            else:
                taken.add(member)
                found[place].append(member)
    return found


def _target(posted: Sequence[Posted], reference: str | None, desk: Desk) -> int | None:
    """R4 bundle.html#references: by fullUrl, or relative to where the fullUrls lie."""
    if reference is None:
        return None
    meant = {reference, *(f"{root}/{reference}" for root in desk.roots)}
    for place, one in enumerate(posted):
        if one.full_url is not None and (one.full_url in meant or _relative(one.full_url, reference)):
            return place
    return None


def _relative(full_url: str, reference: str) -> bool:
    return reference.startswith("Observation/") and full_url.endswith(f"/{reference}")


def _joined(
    panel: Seen, place: int, members: Sequence[tuple[int, Seen]], new_id: Callable[[], str]
) -> Understood:
    for _, member in members:
        _join(panel, member)
    if not members and panel.resource.get("hasMember") is None:
        panel.notes.refuse(f"{panel.path}.hasMember", "required", "A panel says nothing without members.")
    everyone = [panel, *(member for _, member in members)]
    if panel.at is None and not panel.notes.refused:
        panel.notes.refuse(f"{panel.path}.effective", "required", "Say when it was read (effectiveDateTime).")
    for one in everyone:
        check_whose(one, panel.drain)
        if panel.drain is not None:
            check_scale(one, panel.drain)
    refused = any(one.notes.refused for one in everyone)
    ident = _identity(panel, new_id)
    return Understood(
        of=(place, *(other for other, _ in members)),
        codes=tuple(one.code for one in everyone),
        paths=tuple(one.path for one in everyone),
        record=None if refused else _reading(panel, ident),
        places=panel.places,
        identified=panel.ident is not None,
        drain=panel.drain,
        faults=tuple(fault for one in everyone for fault in one.notes.faults),
    )


def _join(panel: Seen, member: Seen) -> None:
    """What a member says goes into its panel; what both say must agree."""
    notes = member.notes
    if member.code in EVENTS and member.code != "suction-prescribed":
        text = "This is an event of its own, and no part of a reading. Send it outside of the panel."
        notes.refuse(f"{member.path}.code", "business-rule", text)
    if member.resource.get("identifier") is not None and member.ident is not None:
        notes.warn(member.places["/id"], "Not kept: the reading is known by the identifier of its panel.")
    for name, at in (("drain", "focus"), ("collector", "device")):
        said, known = getattr(member, name), getattr(panel, name)
        if said is not None and known is not None and said != known:
            notes.refuse(
                f"{member.path}.{at}", "conflict", f"The panel is of another {name}. One reading is of one."
            )
        elif known is None:
            setattr(panel, name, said)
    _join_time(panel, member)
    for name in _SHARED:
        said, known = getattr(member, name), getattr(panel, name)
        if said is None or said == known:
            continue
        if known is None:
            setattr(panel, name, said)
        elif name == "note":
            panel.note = f"{known}\n{said}"
        elif said["kind"] == known["kind"] == "device":
            panel.observer = max(said, known, key=lambda one: bool(one["value"] != UNNAMED))
        else:
            notes.refuse(
                f"{member.path}.performer", "conflict", "One reading has one observer, and the panel another."
            )
    _join_fields(panel, member)


def _join_time(panel: Seen, member: Seen) -> None:
    if member.at is None and member.resource.keys().isdisjoint({"effectiveDateTime", "effectivePeriod"}):
        return
    if not same_instant(panel.at, member.at):
        text = "The panel is of another time. What was read at another time is another reading."
        member.notes.refuse(f"{member.path}.effective", "conflict", text)
    panel.at = panel.at or member.at
    panel.begun = panel.begun or member.begun


def _join_fields(panel: Seen, member: Seen) -> None:
    for name, value in member.fields.items():
        known = panel.fields.get(name)
        if isinstance(known, dict) and isinstance(value, dict) and "unit" not in known:
            twice = [part for part in value if part in known and known[part] != value[part]]
            panel.fields[name] = {**known, **value}
        else:
            twice = [] if known is None or known == value else [name]
            panel.fields[name] = value
        if twice:
            text = "Another member of the panel says this as well, and otherwise. One reading says it once."
            member.notes.refuse(member.path, "conflict", text)
    panel.places = {**member.places, **panel.places}


# Records


def _alone(seen: Seen, place: int, new_id: Callable[[], str]) -> Understood:
    if seen.code:
        check_whose(seen, seen.drain)
        if seen.drain is not None:
            check_scale(seen, seen.drain)
    ident = _identity(seen, new_id)
    record = None
    if not seen.notes.refused:
        record = _event(seen, ident) if seen.code in EVENTS else _reading(seen, ident)
    return Understood(
        of=(place,),
        codes=(seen.code,),
        paths=(seen.path,),
        record=record,
        places=seen.places,
        identified=seen.ident is not None,
        drain=seen.drain,
        faults=tuple(seen.notes.faults),
    )


def _identity(seen: Seen, new_id: Callable[[], str]) -> str:
    if seen.ident is not None:
        return seen.ident
    if not seen.notes.refused:
        seen.notes.tell(
            f"{seen.path}.identifier",
            "There is no identifier, so this got a new id: sent again, it would be another reading. Give it an "
            "identifier to be able to repeat it safely.",
        )
    return new_id()


def _reading(seen: Seen, ident: str) -> Json:
    return {"record": "reading", "id": ident, **_common(seen), **seen.fields}


def _event(seen: Seen, ident: str) -> Json:
    """Suction as prescribed is a mode and, but on gravity, a pressure."""
    kind = EVENTS[seen.code]
    fields = dict(seen.fields)
    if kind == "suction-prescribed":
        fields = _prescribed(seen, fields.get("suction", {}))
    elif kind != "reinfused":
        seen.collector = None
    return {"record": "event", "id": ident, "kind": kind, **_common(seen), **fields}


def _prescribed(seen: Seen, suction: Mapping[str, Any]) -> Json:
    pressure, mode = suction.get("prescribed"), suction.get("mode")
    seen.collector = None
    for name, pointer in (("prescribed", "/pressure"), ("mode", "/mode")):
        for part in ("", "/value", "/unit"):
            if f"/suction/{name}{part}" in seen.places:
                seen.places[pointer + part] = seen.places[f"/suction/{name}{part}"]
    if "indicator" in suction:
        seen.notes.warn(
            seen.places["/suction/indicator"], "What is prescribed has no indicator; it is not kept."
        )
    if mode is None and pressure is not None:
        mode = "gravity" if pressure["value"] == 0 else "suction"
    if mode == "gravity" and pressure is not None and pressure["value"] == 0:
        pressure = None
    seen.places.setdefault("/mode", f"{seen.path}.value")
    return {name: value for name, value in (("mode", mode), ("pressure", pressure)) if value is not None}


def _common(seen: Seen) -> Json:
    fields = {
        "drain": seen.drain,
        "at": seen.at,
        "from": seen.begun,
        "collector": seen.collector,
        "recorded_at": seen.recorded_at,
        "observer": seen.observer,
        "note": seen.note,
    }
    seen.places.setdefault("/drain", f"{seen.path}.focus")
    return {name: value for name, value in fields.items() if value is not None}
