"""ValueSet/$expand: the codes of a value set, flat, in its order (R4, R5 valueset-operation-expand.html).

`filter`: every word of it is part of the code or of the display, whatever their case.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Sequence
from typing import Final

from drainledger.fhir.dialect import Json
from drainledger.fhir.terminology.answers import LANGUAGE
from drainledger.fhir.terminology.content import Canonical, Concept, Content
from drainledger.fhir.terminology.inputs import Inputs
from drainledger.fhir.terminology.refused import TerminologyRefused

#: What is taken and changes nothing, for no code here is nested, abstract, inactive or put together; each is told.
_HARMLESS: Final = (
    "includeDesignations",
    "activeOnly",
    "excludeNested",
    "excludeNotForUI",
    "excludePostCoordinated",
)
_DROPPED: Final = frozenset({"id", "compose"})


def expand(content: Content, inputs: Inputs, instance: Canonical | None, timestamp: str) -> Json:
    """The value set with its expansion; `timestamp` is a dateTime with its zone. Raises TerminologyRefused."""
    value_set = instance or _named(content, inputs)
    found = list(_filtered(content.members(value_set), inputs))
    offset, count = inputs.number("offset") or 0, inputs.number("count")
    page = found[offset:] if count is None else found[offset : offset + count]
    ident = _identifier(value_set, found)
    expansion: Json = {
        "identifier": f"urn:uuid:{ident}",
        "timestamp": timestamp,
        "total": len(found),
        **({"offset": offset} if inputs.has("offset") or inputs.has("count") else {}),
        "parameter": list(_told(content, inputs, found)),
        "contains": [_contained(each) for each in page],
    }
    return {
        **_described(value_set, inputs, str(ident)),
        "expansion": {k: v for k, v in expansion.items() if v != []},
    }


def _named(content: Content, inputs: Inputs) -> Canonical:
    url = inputs.text("url")
    if url is None:
        raise TerminologyRefused(
            "required", "Say by url which value set, or call the operation of one: ValueSet/ID/$expand."
        )
    return content.by_url("ValueSet", url, inputs.text("valueSetVersion"), inputs.where("url"))


def _filtered(concepts: Sequence[Concept], inputs: Inputs) -> Iterator[Concept]:
    words = (inputs.text("filter") or "").casefold().split()
    excluded = {each.partition("|")[0] for each in inputs.texts("exclude-system")}
    for concept in concepts:
        text = f"{concept.code}\n{concept.display}".casefold()
        if concept.system not in excluded and all(word in text for word in words):
            yield concept


def _identifier(value_set: Canonical, found: Sequence[Concept]) -> uuid.UUID:
    """The same for the same codes, whichever page of them; another for others."""
    codes = (f"{each.system}|{each.code}|{each.display}" for each in found)
    text = "\n".join((f"{value_set.url}|{value_set.version}", *codes))
    return uuid.uuid5(uuid.NAMESPACE_URL, text)


def _told(content: Content, inputs: Inputs, found: Sequence[Concept]) -> Iterator[Json]:
    """The parameters that the expansion went by, and the version of each code system in it."""
    if (text := inputs.text("filter")) is not None:
        yield {"name": "filter", "valueString": text}
    for name in ("offset", "count"):
        if (number := inputs.number(name)) is not None:
            yield {"name": name, "valueInteger": number}
    for name in (*_HARMLESS, "includeDefinition"):
        if (flag := inputs.flag(name)) is not None:
            yield {"name": name, "valueBoolean": flag}
    for text in inputs.texts("exclude-system"):
        yield {"name": "exclude-system", "valueUri": text}
    if inputs.has("displayLanguage"):
        yield {"name": "displayLanguage", "valueCode": LANGUAGE}
    used = "version" if content.fhir == "R4" else "used-codesystem"
    for system, version in dict.fromkeys((each.system, each.version) for each in found):
        if version is not None:
            yield {"name": used, "valueUri": f"{system}|{version}"}


def _contained(concept: Concept) -> Json:
    told = {
        "system": concept.system,
        "version": concept.version,
        "code": concept.code,
        "display": concept.display,
    }
    return {name: value for name, value in told.items() if value is not None}


def _described(value_set: Canonical, inputs: Inputs, ident: str) -> Json:
    """As the definition is described, with an id of its own, for it is another resource; and with the definition itself
    where that was asked for."""
    dropped = _DROPPED - {"compose"} if inputs.flag("includeDefinition") else _DROPPED
    kept = {name: value for name, value in value_set.resource.items() if name not in dropped}
    return {"resourceType": kept.pop("resourceType"), "id": ident, "language": LANGUAGE, **kept}
