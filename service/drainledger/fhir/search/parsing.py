"""From the parameters of a call to a query (R4 search.html): `and` between parameters, `or` between commas.

What is wrong in a parameter that is known is refused; one that is not known is refused where the caller asks for that
(`Prefer: handling=strict`), and else told of.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any, Final

from msgspec import Struct
from msgspec.structs import replace

from drainledger.fhir.resource import Fhir
from drainledger.fhir.search import dates, quantities, references, strings, tokens
from drainledger.fhir.search.parameters import Parameter, parameters_of
from drainledger.fhir.search.query import Clause, Has, Include, Query, SortKey
from drainledger.fhir.search.refused import SearchRefused
from drainledger.fhir.search.tokens import split_escaped, unescaped

#: Resources on a page: where nothing is said, and at most.
USUAL: Final = 50
MOST: Final = 500
#: Values in one search, those behind _has among them: of tokens and references, which are looked up; and of what each
#: resource has to be compared with one by one.
MOST_VALUES: Final = 500
MOST_COMPARED: Final = 20
_LOOKED_UP: Final = frozenset({"token", "reference"})
_PARAMETERS: Final = 100
_LONGEST: Final = 64 * 1024
_NAME: Final = re.compile(r"[A-Za-z_][A-Za-z_-]{0,63}")
#: What says how the answer is written; read elsewhere.
_OF_THE_ANSWER: Final = frozenset({"_format", "_pretty"})
_SUMMARIES: Final = ("true", "false", "text", "data", "count")
_TOTALS: Final = ("none", "estimate", "accurate")
_MODIFIERS: Final[dict[str, tuple[str, ...]]] = {
    "token": ("not", "missing"),
    "date": ("missing",),
    "reference": ("identifier", "missing"),
    "quantity": ("missing",),
    "string": ("exact", "contains", "missing"),
    "uri": ("missing",),
}


class _Call(Struct, frozen=True, kw_only=True):
    """What a call is made in. `base` has no slash at its end; `local` is the project's code system."""

    fhir: Fhir
    base: str
    local: str
    strict: bool
    now: datetime


def parse(
    type: str,
    pairs: Sequence[tuple[str, str]],
    *,
    fhir: Fhir,
    base: str,
    local: str,
    strict: bool,
    now: datetime,
) -> Query:
    """What `pairs` ask for of `type`, both as that version of FHIR writes them. Raises SearchRefused."""
    if len(pairs) > _PARAMETERS:
        raise SearchRefused("too-costly", None, f"Ask with at most {_PARAMETERS} parameters.")
    if sum(len(name) + len(value) for name, value in pairs) > _LONGEST:
        raise SearchRefused("too-costly", None, f"Ask with at most {_LONGEST} characters.")
    call = _Call(fhir=fhir, base=base, local=local, strict=strict, now=now)
    query = _Parsing(call, type).query(pairs)
    _check_work(query)
    return query


def _check_work(query: Query) -> None:
    """Each resource that is looked at is compared with what was asked for: that is bounded as a whole."""
    clauses = [*query.clauses, *(clause for has in query.has for clause in has.query.clauses)]
    looked_up = sum(len(each.asked) for each in clauses if each.parameter.kind in _LOOKED_UP)
    compared = sum(len(each.asked) for each in clauses if each.parameter.kind not in _LOOKED_UP)
    if looked_up > MOST_VALUES or compared > MOST_COMPARED:
        raise SearchRefused(
            "too-costly",
            None,
            f"Ask for at most {MOST_VALUES} codes, identifiers and references at once, and for at most "
            f"{MOST_COMPARED} dates, amounts and texts.",
        )


class _Parsing:
    def __init__(self, call: _Call, type_: str) -> None:
        self._call = call
        self._type = type_
        self._known = parameters_of(call.fhir, type_)
        self._clauses: list[Clause] = []
        self._has: list[Has] = []
        self._includes: list[Include] = []
        self._revincludes: list[Include] = []
        self._ignored: list[str] = []
        self._used: list[tuple[str, str]] = []
        self._results: dict[str, Any] = {"count": USUAL}

    def query(self, pairs: Sequence[tuple[str, str]]) -> Query:
        for name, value in pairs:
            if name in _OF_THE_ANSWER:
                continue
            if self._take(name, value):
                self._used.append((name, value))
        return Query(
            type=self._type,
            local=self._call.local,
            clauses=self._clauses,
            has=self._has,
            includes=self._includes,
            revincludes=self._revincludes,
            ignored=self._ignored,
            used=self._used,
            **self._results,
        )

    def _take(self, name: str, value: str) -> bool:
        """Whether it is known."""
        if name.startswith("_has:"):
            self._has.append(self._read_has(name, value))
        elif name.split(":")[0] in ("_include", "_revinclude"):
            self._read_include(name, value)
        elif name in ("_sort", "_count", "_total", "_summary", "_elements"):
            self._read_result(name, value)
        else:
            return self._read_clause(name, value)
        return True

    # Clauses

    def _read_clause(self, name: str, value: str) -> bool:
        path, _, modifier = name.partition(":")
        modifier, _, chained = modifier.partition(".")
        if not modifier:
            path, _, chained = path.partition(".")
        parameter = self._known.get(path)
        if parameter is None:
            self._not_known(name)
            return False
        if not value:
            raise SearchRefused("value", path, f"{path}: write a value, or leave the parameter out.")
        self._clauses.append(self._clause(parameter, modifier or None, chained, value))
        return True

    def _not_known(self, name: str) -> None:
        shown = name if _NAME.fullmatch(name) else None
        if self._call.strict:
            raise SearchRefused(
                "not-supported",
                shown,
                f"{self._type} is searched by {', '.join(sorted(self._known))}. Leave out what is not among them, or "
                "ask without handling=strict.",
            )
        self._ignored.append(shown or "?")

    def _clause(self, parameter: Parameter, modifier: str | None, chained: str, value: str) -> Clause:
        if chained:
            self._check_chain(parameter, modifier, chained)
            modifier = "identifier"
        elif modifier is not None and modifier not in (*_MODIFIERS[parameter.kind], *parameter.targets):
            known = ", ".join(f":{each}" for each in (*_MODIFIERS[parameter.kind], *parameter.targets))
            raise SearchRefused(
                "not-supported", parameter.name, f"{parameter.name} takes {known} or no modifier."
            )
        texts = split_escaped(value, ",")
        asked = [self._asked(parameter, modifier, text) for text in texts]
        look = _identifiers(parameter) if modifier == "identifier" else parameter.values
        return Clause(parameter=parameter, modifier=modifier, asked=asked, holds=_any_of(asked), look=look)

    def _check_chain(self, parameter: Parameter, modifier: str | None, chained: str) -> None:
        """Of a patient the identifier alone is known, and stands in every reference to one."""
        if chained != "identifier" or parameter.targets != ("Patient",) or modifier not in (None, "Patient"):
            raise SearchRefused(
                "not-supported",
                parameter.name,
                "Only a patient's identifier can be asked for through a reference: patient.identifier=system|value.",
            )

    def _asked(self, parameter: Parameter, modifier: str | None, text: str) -> Any:
        name = parameter.name
        if modifier == "missing":
            if text not in ("true", "false"):
                raise SearchRefused("value", name, f"{name}:missing is true or false.")
            return text == "true"
        if modifier == "identifier":
            return tokens.asked(name, text)
        match parameter.kind:
            case "token":
                return tokens.asked(name, text, parameter.system)
            case "date":
                return dates.asked(name, unescaped(text), self._call.now)
            case "reference":
                return references.asked(name, unescaped(text), self._call.base, modifier)
            case "quantity":
                return quantities.asked(name, text)
            case "uri":
                return strings.Asked(unescaped(text), "same")
            case "string":
                return strings.Asked(unescaped(text), modifier or "starts")

    # What others say of it

    def _read_has(self, name: str, value: str) -> Has:
        pieces = name.split(":")
        parameter = parameters_of(self._call.fhir, pieces[1]).get(pieces[2]) if len(pieces) >= 4 else None
        if parameter is None or parameter.kind != "reference" or pieces[3] == "_has":
            raise SearchRefused(
                "value",
                "_has",
                "_has: write _has:Type:parameter:searched=value, such as _has:Observation:patient:code=...; only one "
                "level of it is taken.",
            )
        inner = _Parsing(replace(self._call, strict=True), pieces[1])
        return Has(parameter, inner.query([(":".join(pieces[3:]), value)]))

    # What comes along

    def _read_include(self, name: str, value: str) -> None:
        name, _, modifier = name.partition(":")
        if modifier not in ("", "iterate"):
            raise SearchRefused("not-supported", name, f"{name} takes :iterate or no modifier.")
        found = self._includes if name == "_include" else self._revincludes
        pieces = value.split(":")
        if value == "*":
            if name == "_revinclude":
                raise SearchRefused("not-supported", name, "_revinclude=*: name a type and a parameter.")
            pieces = [self._type, "*"]
        if len(pieces) not in (2, 3):
            raise self._no_include(name)
        known = parameters_of(self._call.fhir, pieces[0])
        references_ = [each for each in known.values() if each.kind == "reference"]
        chosen = references_ if pieces[1] == "*" else [each for each in references_ if each.name == pieces[1]]
        target = pieces[2] if len(pieces) == 3 else None
        if not chosen:
            raise self._no_include(name)
        found += [Include(pieces[0], parameter, target, modifier == "iterate") for parameter in chosen]

    def _no_include(self, name: str) -> SearchRefused:
        return SearchRefused(
            "value",
            name,
            f"{name}: write Type:parameter or Type:parameter:Target, the parameter being a reference.",
        )

    # What is done with what is found

    def _read_result(self, name: str, value: str) -> None:
        match name:
            case "_count":
                if not value.isascii() or not value.isdigit() or len(value) > 9:
                    raise SearchRefused("value", name, f"_count: a number from 0 to {MOST}.")
                self._results["count"] = min(int(value), MOST)
            case "_total":
                self._results["total"] = self._one_of(name, value, _TOTALS)
            case "_summary":
                self._results["summary"] = self._one_of(name, value, _SUMMARIES)
            case "_elements":
                self._results["elements"] = [each.strip() for each in value.split(",") if each.strip()]
            case _:
                self._results["sort"] = [self._sort_key(each.strip()) for each in value.split(",")]

    def _one_of(self, name: str, value: str, known: Sequence[str]) -> str:
        if value not in known:
            raise SearchRefused("value", name, f"{name} is one of {', '.join(known)}.")
        return value

    def _sort_key(self, text: str) -> SortKey:
        parameter = self._known.get(text.removeprefix("-"))
        if parameter is None:
            raise SearchRefused(
                "value",
                "_sort",
                f"_sort: {', '.join(sorted(self._known))}, with a - before it for the last first.",
            )
        return SortKey(parameter, text.startswith("-"))


def _any_of(asked: Sequence[Any]) -> Callable[[Any], bool]:
    """Whether any of them, which are of one kind, holds."""
    match asked[0]:
        case tokens.Asked():
            return tokens.any_of(asked)
        case references.Asked():
            return references.any_of(asked)
    return lambda value: any(each.holds(value) for each in asked)


def _identifiers(parameter: Parameter) -> Any:
    def look(resource: Any) -> list[Any]:
        return [found for value in parameter.values(resource) for found in references.identifier_of(value)]

    return look
