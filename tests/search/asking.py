"""Generated searches: parameters of a type, with values that something there has, written in the ways that R4 knows."""

from __future__ import annotations

from random import Random
from typing import Any, NamedTuple

Json = dict[str, Any]
Values = dict[str, list[Any]]

_PREFIXES = ["", "eq", "ne", "gt", "ge", "lt", "le", "sa", "eb"]


class Term(NamedTuple):
    """One parameter of a search."""

    name: str
    modifier: str
    asked: str

    @property
    def pair(self) -> tuple[str, str]:
        return f"{self.name}:{self.modifier}" if self.modifier else self.name, self.asked


def term(rng: Random, name: str, kind: str, found: list[Values], base: str) -> Term:
    """A parameter whose values are those of some resources, or about them."""
    if rng.random() < 0.08:
        return Term(name, "missing", rng.choice(["true", "false"]))
    having = [values[name] for values in found if values[name]]
    if not having:
        return Term(name, "missing", rng.choice(["true", "false"]))
    modifier = ""
    if kind == "token" and rng.random() < 0.15:
        modifier = "not"
    if kind == "string":
        modifier = rng.choice(["", "exact", "contains"])
    if kind == "reference":
        identifiers = _identified(having)
        having = [
            literal for values in having if (literal := [each for each in values if "reference" in each])
        ]
        if identifiers and (not having or rng.random() < 0.15):
            chosen = rng.choice(identifiers)
            asked = rng.choice([f"{chosen.get('system', '')}|{chosen['value']}", chosen["value"]])
            return Term(name, "identifier", asked)
    many = 1 if kind in ("date", "quantity") else rng.choice([1, 1, 1, 2, 3])
    written = [_written(rng, kind, rng.choice(rng.choice(having)), base) for _ in range(many)]
    return Term(name, modifier, ",".join(written))


def _identified(having: list[list[Any]]) -> list[Json]:
    return [each["identifier"] for values in having for each in values if "identifier" in each]


def _written(rng: Random, kind: str, value: Any, base: str) -> str:
    match kind:
        case "date":
            text = value if isinstance(value, str) else rng.choice(list(value.values()))
            return rng.choice(_PREFIXES) + rng.choice([text, text, text[:10], text[:7], text[:4]])
        case "token":
            return _token(rng, value)
        case "reference":
            literal = value["reference"].partition("/_history/")[0]
            return str(rng.choice([literal, literal.partition("/")[2], f"{base}/{literal}"]))
        case "quantity":
            return _quantity(rng, value)
        case "string":
            return str(value[: rng.randint(1, len(value))] if rng.random() < 0.5 else value)
        case _:
            return str(value)


def _token(rng: Random, value: Any) -> str:
    if isinstance(value, str):
        return value
    coding = rng.choice(value.get("coding", [value]))
    code, system = coding.get("code", coding.get("value")), coding.get("system", "")
    return str(rng.choice([code, f"{system}|{code}", f"{system}|", f"|{code}"]))


def _quantity(rng: Random, value: Json) -> str:
    number, unit = value["value"], value.get("code")
    prefix = rng.choice(_PREFIXES)
    if unit == "mL" and rng.random() < 0.4:
        return f"{prefix}{number / 1000:.3f}|http://unitsofmeasure.org|L"
    if unit in ("mL", "cm[H2O]") and rng.random() < 0.7:
        return f"{prefix}{number}|http://unitsofmeasure.org|{unit}"
    return f"{prefix}{number}"
