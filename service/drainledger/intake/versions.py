"""New versions of resources: numbered, with the status that their history gives them (FHIR.md 'Status')."""

from __future__ import annotations

from collections.abc import Sequence
from zoneinfo import ZoneInfo

from drainledger.domain.book import Book
from drainledger.domain.statements import slot_of
from drainledger.fhir.restate import content, say_the_same, status_of, with_status
from drainledger.intake.answers import Written
from drainledger.intake.difference import Difference, Rendered, version_body
from drainledger.store.codec import digest_of, split_id
from drainledger.store.rows import NewPart, NewVersions, VersionRow
from drainledger.store.write import Write


def write_versions(
    write: Write, rendered: Rendered, differences: Sequence[Difference]
) -> dict[str, list[Written]]:
    """Writes a version of each; what was written, by the id that its parts share."""
    book = rendered.book
    groups: dict[str, list[tuple[str, Difference]]] = {}
    for difference in differences:
        id_, part = split_id(difference.shown.resource.id)
        groups.setdefault(id_, []).append((part, difference))
    known = write.current(groups.keys()) if groups else {}
    rows: list[NewVersions] = []
    written: dict[str, list[Written]] = {}
    for id_, parts in groups.items():
        new = {
            part: made
            for part, difference in parts
            if (made := _part(write, book, (id_, part), difference, known.get(id_))) is not None
        }
        if new:
            rows.append(_row(rendered, id_, new, parts[0][1]))
            written[id_] = [_told(id_, part, made) for part, made in new.items()]
    write.put_versions(rows)
    return written


def _part(
    write: Write, book: Book, at: tuple[str, str], difference: Difference, known: VersionRow | None
) -> NewPart | None:
    previous = known.parts.get(at[1]) if known is not None else None
    if difference.new is None and (previous is None or previous.status == "entered-in-error"):
        return None
    issued = write.received_at.astimezone(_zone(book, difference.shown.drain)).isoformat()
    body = version_body(difference, previous.status if previous is not None else None, issued)
    if previous is not None and previous.digest == digest_of(body):
        return None  # a Patient comes with each of its drains
    if previous is not None and previous.status == status_of(body) and _is_told(write, at, difference, body):
        return None
    resource = difference.shown.resource
    version = previous.version + 1 if previous is not None else 1
    return NewPart(type=resource.type, version=version, status=status_of(body), code=resource.code, body=body)


def _is_told(write: Write, at: tuple[str, str], difference: Difference, body: bytes) -> bool:
    """Whether the current version, of the same status, says the same.

    A correction to another kind of record withdraws what its retraction withdraws again; and what was final once stays
    amended, whether it would now be preliminary or final.
    """
    if difference.old is not None and difference.new is not None:
        old = with_status(difference.old.resource.body, status_of(body))
        new = with_status(difference.new.resource.body, status_of(body))
        return content(old) == content(new)
    current = write.body(*at)
    return current is not None and say_the_same(current.body, body)


def _zone(book: Book, drain_id: str | None) -> ZoneInfo:
    drain = book.drain(drain_id) if drain_id is not None else None
    return ZoneInfo(drain.time_zone if drain is not None else "UTC")


def _row(rendered: Rendered, id_: str, parts: dict[str, NewPart], difference: Difference) -> NewVersions:
    shown = difference.shown
    record = shown.resource.record
    return NewVersions(
        id=id_,
        parts=parts,
        patient=rendered.patient_of(shown.drain) if shown.drain is not None else None,
        drain=shown.drain,
        at=shown.at,
        record=slot_of(record) if record is not None else None,
    )


def _told(id_: str, part: str, made: NewPart) -> Written:
    fhir_id = f"{id_}.{part}" if part else id_
    return Written(f"{made.type}/{fhir_id}", made.version, made.status)
