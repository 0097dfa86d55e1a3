"""What an operation is called with: a URL's parameters, or a Parameters resource (R4 operations.html#executing)."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, Final

from msgspec import Struct

from drainledger.fhir.dialect import Json
from drainledger.fhir.resource import Fhir
from drainledger.fhir.terminology.defined import In, Operation
from drainledger.fhir.terminology.refused import TerminologyRefused

#: value[x] under which text may come: what is a code and what a uri, is often mistaken and never in doubt.
_TEXTS: Final = ("valueString", "valueCode", "valueUri", "valueCanonical", "valueUrl", "valueId")
_VALUES: Final[Mapping[str, Sequence[str]]] = {
    "text": _TEXTS,
    "boolean": ("valueBoolean",),
    "integer": ("valueInteger", "valueUnsignedInt", "valuePositiveInt"),
    "Coding": ("valueCoding",),
    "CodeableConcept": ("valueCodeableConcept",),
}
_LONGEST: Final = 1000
_MOST_CODINGS: Final = 100


class Coding(Struct, frozen=True, kw_only=True):
    """A code that was sent. `where` it stands, in what was sent; `path` as $validate-code's issues name it."""

    code: str
    system: str | None = None
    version: str | None = None
    display: str | None = None
    where: str = ""
    path: str = ""


class Inputs:
    """The parameters of one call, checked against the operation's definition."""

    def __init__(self, given: Mapping[str, Sequence[tuple[Any, str]]], *, instance: bool) -> None:
        self._given = given
        self.instance = instance

    def has(self, name: str) -> bool:
        return name in self._given

    def where(self, *names: str) -> list[str]:
        """The expressions of those of these parameters that are there."""
        return [where for name in names for _, where in self._given.get(name, ())]

    def text(self, name: str) -> str | None:
        found = self._given.get(name)
        return None if found is None else str(found[0][0])

    def texts(self, name: str) -> list[str]:
        return [str(value) for value, _ in self._given.get(name, ())]

    def flag(self, name: str) -> bool | None:
        found = self._given.get(name)
        return None if found is None else bool(found[0][0])

    def number(self, name: str) -> int | None:
        found = self._given.get(name)
        return None if found is None else int(found[0][0])

    def coding(self, name: str) -> Coding | None:
        found = self._given.get(name)
        return None if found is None else _coding(*found[0], "Coding")

    def codings(self, name: str) -> list[Coding]:
        """Of a CodeableConcept. Raises TerminologyRefused where it has none."""
        ((concept, where),) = self._given[name]
        found = concept.get("coding")
        if not isinstance(found, list) or not 0 < len(found) <= _MOST_CODINGS:
            raise TerminologyRefused("required", f"Give it 1 to {_MOST_CODINGS} codings.", [where])
        return [
            _coding(each, f"{where}.coding[{place}]", f"CodeableConcept.coding[{place}]")
            for place, each in enumerate(found)
        ]

    def one_of(self, *names: str) -> str:
        """The one of these parameters that is there. Raises TerminologyRefused for none, or several."""
        there = [name for name in names if self.has(name)]
        if len(there) == 1:
            return there[0]
        told = ", ".join(names)
        if not there:
            raise TerminologyRefused("required", f"One of these parameters is needed: {told}.")
        raise TerminologyRefused(
            "invalid", f"Give one of these parameters alone: {told}.", self.where(*there)
        )


def of_query(operation: Operation, pairs: Iterable[tuple[str, str]], fhir: Fhir, *, instance: bool) -> Inputs:
    """From a URL, where parameters are words alone. Raises TerminologyRefused."""
    return _inputs(
        operation,
        ((name, text, f"http.{_shown(name)}") for name, text in pairs),
        fhir,
        lambda parameter, text, where: (_worded(parameter, text, where), where),
        instance=instance,
    )


def _shown(name: str) -> str:
    """A parameter's name may be anything, somebody's number too: only what looks like a name is said again."""
    return name if re.fullmatch(r"[A-Za-z-]{1,64}", name) else "?"


def of_resource(operation: Operation, resource: object, fhir: Fhir, *, instance: bool) -> Inputs:
    """From a Parameters resource. Raises TerminologyRefused."""
    if not isinstance(resource, dict) or resource.get("resourceType") != "Parameters":
        raise TerminologyRefused("structure", "Send a Parameters resource as the body.", ["Parameters"])
    return _inputs(
        operation,
        _listed(resource),
        fhir,
        lambda parameter, entry, where: (_valued(parameter, entry, where), f"{where}.value"),
        instance=instance,
    )


def _listed(resource: Json) -> Iterator[tuple[str, Any, str]]:
    given = resource.get("parameter", [])
    if not isinstance(given, list):
        raise TerminologyRefused("structure", "It should be an array.", ["Parameters.parameter"])
    for place, each in enumerate(given):
        where = f"Parameters.parameter[{place}]"
        if not isinstance(each, dict) or not isinstance(each.get("name"), str):
            raise TerminologyRefused("structure", "Every parameter is an object with a name.", [where])
        yield each["name"], each, where


def _inputs(
    operation: Operation,
    given: Iterable[tuple[str, Any, str]],
    fhir: Fhir,
    read: Callable[[In, Any, str], tuple[Any, str]],
    *,
    instance: bool,
) -> Inputs:
    """`read` gives a parameter's value, and where that stands."""
    known = {each.name: each for each in operation.parameters[fhir]}
    found: dict[str, list[tuple[Any, str]]] = {}
    for name, value, where in given:
        parameter = known.get(name)
        if parameter is None:
            names = ", ".join(each.name for each in known.values() if each.refused is None)
            raise TerminologyRefused(
                "invalid", f"${operation.code} has no parameter of this name. It has: {names}.", [where]
            )
        _check(parameter, where, taken=name in found, instance=instance)
        found.setdefault(name, []).append(read(parameter, value, where))
    return Inputs(found, instance=instance)


def _check(parameter: In, where: str, *, taken: bool, instance: bool) -> None:
    if parameter.refused is not None:
        raise TerminologyRefused(
            "not-supported", f"{parameter.name} can't be used: {parameter.refused}.", [where]
        )
    if parameter.type_only and instance:
        raise TerminologyRefused(
            "invalid", f"Leave {parameter.name} out: the resource in the path says it.", [where]
        )
    if taken and not parameter.many:
        raise TerminologyRefused("invalid", f"Give {parameter.name} once.", [where])


def _worded(parameter: In, text: str, where: str) -> Any:
    if parameter.kind in ("Coding", "CodeableConcept"):
        raise TerminologyRefused(
            "invalid",
            f"A {parameter.kind} goes into a Parameters resource, sent by POST; in a URL give code and system.",
            [where],
        )
    if parameter.kind == "boolean":
        if text not in ("true", "false"):
            raise TerminologyRefused("value", f"{parameter.name}: write true or false.", [where])
        return text == "true"
    if parameter.kind == "integer":
        if not re.fullmatch(r"[0-9]{1,9}", text):
            raise TerminologyRefused("value", f"{parameter.name}: write a whole number, 0 or more.", [where])
        return int(text)
    return _text(parameter.name, text, where)


def _valued(parameter: In, entry: Json, where: str) -> Any:
    names = [name for name in _VALUES[parameter.kind] if name in entry]
    if len(names) != 1:
        wanted = (
            "valueString, valueCode or valueUri" if parameter.kind == "text" else _VALUES[parameter.kind][0]
        )
        raise TerminologyRefused("invalid", f"{parameter.name}: give it one {wanted}.", [where])
    value, where = entry[names[0]], f"{where}.value"
    if parameter.kind == "text":
        return _text(parameter.name, value, where)
    if parameter.kind == "boolean":
        if not isinstance(value, bool):
            raise TerminologyRefused("value", f"{parameter.name}: write true or false.", [where])
        return value
    if parameter.kind == "integer":
        if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < 10**9:
            raise TerminologyRefused("value", f"{parameter.name}: write a whole number, 0 or more.", [where])
        return value
    if not isinstance(value, dict):
        raise TerminologyRefused("structure", f"{parameter.name}: it should be an object.", [where])
    return value


def _text(name: str, value: object, where: str) -> str:
    if not isinstance(value, str) or not value.strip() or len(value) > _LONGEST:
        raise TerminologyRefused("value", f"{name}: write 1 to {_LONGEST} characters of text.", [where])
    return value


def _coding(value: object, where: str, path: str) -> Coding:
    if not isinstance(value, dict):
        raise TerminologyRefused("structure", "A coding should be an object.", [where])
    told: dict[str, str] = {}
    for name in ("system", "version", "code", "display"):
        if name in value:
            told[name] = _text(name, value[name], f"{where}.{name}")
    if "code" not in told:
        raise TerminologyRefused("required", "A coding needs its code.", [where])
    return Coding(**told, where=where, path=path)
