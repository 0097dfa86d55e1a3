"""Search over the conformance set: parameters of the standard whose value is plain to find (R4, R5 search.html)."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, Final, Literal

from msgspec import Struct

from drainledger.fhir.dialect import Json
from drainledger.fhir.terminology.content import Canonical
from drainledger.fhir.terminology.refused import TerminologyRefused

Kind = Literal["token", "string", "uri"]


class Parameter(Struct, frozen=True, kw_only=True):
    """`path` is one of the alternatives of the official expression. `system` is that of a token's codes, where the
    element's binding fixes one."""

    name: str
    kind: Kind
    path: str
    system: str | None = None


_PUBLICATION: Final = "http://hl7.org/fhir/publication-status"


def _common(type: str, *names: str) -> dict[str, Parameter]:
    kinds: Mapping[str, Kind] = {"url": "uri", "version": "token", "status": "token", "_id": "token"}
    return {
        name: Parameter(
            name=name,
            kind=kinds.get(name, "string"),
            path=f"{type}.{name.removeprefix('_')}",
            system=_PUBLICATION if name == "status" else None,
        )
        for name in ("_id", "url", "version", "name", "status", "description", *names)
    }


def _more(name: str, kind: Kind, path: str, system: str | None = None) -> dict[str, Parameter]:
    return {name: Parameter(name=name, kind=kind, path=path, system=system)}


#: Type -> name -> parameter; the same in R4 and R5.
PARAMETERS: Final[Mapping[str, Mapping[str, Parameter]]] = {
    "CapabilityStatement": _common("CapabilityStatement", "title"),
    "CodeSystem": _common("CodeSystem", "title")
    | _more("code", "token", "CodeSystem.concept.code")
    | _more("system", "uri", "CodeSystem.url"),
    "ConceptMap": _common("ConceptMap", "title"),
    "SearchParameter": _common("SearchParameter")
    | _more("code", "token", "SearchParameter.code")
    | _more("type", "token", "SearchParameter.type", "http://hl7.org/fhir/search-param-type")
    | _more("base", "token", "SearchParameter.base"),
    "StructureDefinition": _common("StructureDefinition", "title")
    | _more("type", "uri", "StructureDefinition.type"),
    "ValueSet": _common("ValueSet", "title")
    | _more("code", "token", "ValueSet.compose.include.concept.code")
    | _more("reference", "uri", "ValueSet.compose.include.system"),
}
_MODIFIERS: Final[Mapping[Kind, Sequence[str]]] = {
    "token": ("not",),
    "string": ("exact", "contains"),
    "uri": ("below", "above"),
}


class Clause(Struct, frozen=True, kw_only=True):
    """One parameter as it was given: one of its values has to match."""

    parameter: Parameter
    modifier: str
    values: tuple[str, ...]

    def matches(self, resource: Json) -> bool:
        found = [str(each) for each in _values(resource, self.parameter.path)]
        test = _TESTS[self.parameter.kind]
        hit = any(test(each, value, self) for each in found for value in self.values)
        return hit is not (self.modifier == "not")


def clause(type: str, given: str, text: str) -> Clause | None:
    """None for a parameter that isn't known. Raises TerminologyRefused for a modifier or a value that can't be used."""
    name, _, modifier = given.partition(":")
    parameter = PARAMETERS[type].get(name)
    if parameter is None:
        return None
    where = [f"http.{name}"]
    if modifier and modifier not in _MODIFIERS[parameter.kind]:
        known = ", ".join(f":{each}" for each in _MODIFIERS[parameter.kind])
        raise TerminologyRefused(
            "not-supported", f"{name} can't be searched like this; there is {known}.", where
        )
    values = tuple(value for value in _split(text) if value)
    if not values:
        raise TerminologyRefused("value", f"{name} needs a value.", where)
    return Clause(parameter=parameter, modifier=modifier, values=values)


def found(resources: Sequence[Canonical], clauses: Sequence[Clause]) -> list[Canonical]:
    """Those that every clause matches, in order."""
    return [each for each in resources if all(one.matches(each.resource) for one in clauses)]


def _split(text: str) -> list[str]:
    """At commas that no backslash escapes (search.html#escaping)."""
    return [re.sub(r"\\([,$|\\])", r"\1", each) for each in re.split(r"(?<!\\),", text)]


def _values(value: Any, path: str) -> Iterator[Any]:
    """What stands at `Type.element.element`, through every array."""
    yield from _below(value, path.split(".")[1:])


def _below(value: Any, steps: Sequence[str]) -> Iterator[Any]:
    if isinstance(value, list):
        for each in value:
            yield from _below(each, steps)
    elif not steps:
        yield value
    elif isinstance(value, dict) and steps[0] in value:
        yield from _below(value[steps[0]], steps[1:])


def _token(found: str, value: str, clause: Clause) -> bool:
    """`code`, `|code` or `system|code`; an id, a version and a code of the resource's own have no system."""
    system, bar, code = value.rpartition("|")
    if bar and system and system != clause.parameter.system:
        return False
    return found == code


def _string(found: str, value: str, clause: Clause) -> bool:
    if clause.modifier == "exact":
        return found == value
    one, other = _plain(found), _plain(value)
    return other in one if clause.modifier == "contains" else one.startswith(other)


def _uri(found: str, value: str, clause: Clause) -> bool:
    if clause.modifier == "below":
        return found == value or found.startswith(f"{value.rstrip('/')}/")
    if clause.modifier == "above":
        return found == value or value.startswith(f"{found.rstrip('/')}/")
    return found == value


def _plain(text: str) -> str:
    """Without case and accents."""
    parted = unicodedata.normalize("NFKD", text.casefold())
    return "".join(each for each in parted if not unicodedata.combining(each))


_TESTS: Final[Mapping[Kind, Callable[[str, str, Clause], bool]]] = {
    "token": _token,
    "string": _string,
    "uri": _uri,
}
