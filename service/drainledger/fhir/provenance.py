"""Where resources come from (R4 provenance.html): the record, who made it, and the adapter that assembled.

R4 and R5 write what is used here alike. Provenance has no identifier in either; its id is the record's.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Literal

from drainledger.domain.records import Key, Observer
from drainledger.fhir.fragments import TimeTexts, encode
from drainledger.fhir.ids import join, message_name
from drainledger.fhir.kit import Kit
from drainledger.fhir.resource import Resource

Activity = Literal["CREATE", "UPDATE", "NULLIFY"]

#: Displays as in v3-codesystems.json of the R4 definitions.
_DISPLAY = {"CREATE": "create", "UPDATE": "revise", "NULLIFY": "nullify"}


def activity(code: str) -> dict[str, Any]:
    """Provenance.activity, of v3-DataOperation."""
    system = "http://terminology.hl7.org/CodeSystem/v3-DataOperation"
    return {"coding": [{"system": system, "code": code, "display": _DISPLAY[code]}]}


def _activity(code: str) -> str:
    return f',"activity":{encode(activity(code)).decode()}'


_ACTIVITY = {code: _activity(code) for code in _DISPLAY}


def provenance(
    kit: Kit,
    uuid: str,
    targets: Sequence[str],
    sources: Sequence[Key],
    times: TimeTexts,
    *,
    occurred: datetime | None,
    recorded: datetime | None,
    observer: Observer | None = None,
    activity: Activity = "CREATE",
    record: Key | None = None,
) -> Resource:
    """One Provenance over `targets`, texts of references.

    `sources` are the records whose messages it rests on; `occurred` is when it happened at the bedside, `recorded`
    when it was taken down (an instant that a replay repeats), None where nothing tells.
    """
    ident = join(uuid, "provenance")
    happened = "" if occurred is None else f',"occurredDateTime":"{times(occurred)}"'
    entities = ",".join([_entity(kit, key) for key in sources])
    body = (
        f'{{"resourceType":"Provenance","id":"{ident}","target":[{",".join(targets)}]{happened},'
        f'{_recorded(times, recorded)}{_ACTIVITY[activity]},"agent":{kit.agents(observer)},'
        f'"entity":[{entities}]}}'
    )
    return Resource("Provenance", ident, body.encode(), record)


#: R4 asks for `recorded`; where no record states any time, a reason stands in its place (extensibility.html).
_NOT_RECORDED = (
    '"_recorded":{"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/data-absent-reason",'
    '"valueCode":"unknown"}]}'
)


def _recorded(times: TimeTexts, recorded: datetime | None) -> str:
    return _NOT_RECORDED if recorded is None else f'"recorded":"{times(recorded)}"'


def _entity(kit: Kit, key: Key) -> str:
    """The raw message, by identifier: it is no FHIR resource."""
    name = message_name(key)
    return f'{{"role":"source","what":{{"identifier":{{"system":"{kit.sid}/message","value":"{name}"}}}}}}'


def reference_text(resource: Resource) -> str:
    return f'{{"reference":"{resource.type}/{resource.id}","type":"{resource.type}"}}'
