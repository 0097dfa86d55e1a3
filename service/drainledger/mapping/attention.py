"""mappings/attention.toml: which rules are on, with which values, from which source."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Annotated, Final, Literal

from msgspec import Struct
from pydantic import Field

from drainledger.domain.collectors import AttentionRule
from drainledger.mapping.errors import Fault
from drainledger.mapping.files import Model, Number, Text, meant


class Bounds(Struct, frozen=True):
    """What a value may be at the most; `whole` ones are counted in the arithmetic, so 1.5 has no meaning."""

    highest: int
    whole: bool = False


class Shape(Struct, frozen=True):
    """What the arithmetic knows of a rule: whether it speaks of the patient, and the values that it needs."""

    clinical: bool
    values: Mapping[str, Bounds] = {}


_VOLUME: Final = Bounds(10_000)
_HOURS: Final = Bounds(168)
_WHOLE_HOURS: Final = Bounds(24, whole=True)

SHAPES: Final = {
    "chamber-nearly-full": Shape(False, {"share": Bounds(1)}),
    "reading-overdue": Shape(False, {"grace_minutes": Bounds(1440)}),
    "large-rise": Shape(False),
    "still-clamped": Shape(False, {"minutes": Bounds(10_080)}),
    "hourly-output": Shape(True, {"ml_per_hour": _VOLUME, "hours": _WHOLE_HOURS}),
    "daily-output": Shape(True, {"ml": _VOLUME, "hours": _HOURS}),
    "output-at-once": Shape(True, {"ml": _VOLUME, "minutes": Bounds(1440)}),
    "hourly-output-per-weight": Shape(True, {"ml_per_kg_per_hour": _VOLUME, "hours": _WHOLE_HOURS}),
    "output-stopped-abruptly": Shape(True, {"ml_per_hour": _VOLUME, "hours": _HOURS}),
    "appearance-changed": Shape(True),
    "air-leak-prolonged": Shape(True, {"days": Bounds(365)}),
}


class RuleTable(Model):
    on: Annotated[bool, Field(strict=True)]
    issue: Annotated[bool, Field(strict=True)] = True
    kinds: tuple[Literal["pleural", "mediastinal", "pericardial", "other"], ...] = ()
    source: Text
    caution: Text
    values: dict[str, Annotated[Number, Field(gt=0)]] = Field(default_factory=dict)


class TextsTable(Model):
    charting: Text
    clinical: Text


class AttentionFile(Model):
    texts: TextsTable
    rules: dict[str, RuleTable]

    def domain(self) -> dict[str, AttentionRule]:
        return {code: self._rule(code, table) for code, table in self.rules.items()}

    def _rule(self, code: str, table: RuleTable) -> AttentionRule:
        clinical = SHAPES[code].clinical
        return AttentionRule(
            code=code,
            clinical=clinical,
            text=self.texts.clinical if clinical else self.texts.charting,
            **table.model_dump(),
        )


def check(content: AttentionFile) -> Iterator[Fault]:
    for code, rule in content.rules.items():
        shape = SHAPES.get(code)
        if shape is None:
            yield Fault(("rules", code), f"is no known rule; {meant(code, SHAPES)}")
            continue
        for name, value in rule.values.items():
            wrong = _wrong(shape, name, value)
            if wrong is not None:
                yield Fault(("rules", code, "values", name), wrong)
        absent = [name for name in shape.values if name not in rule.values]
        if rule.on and absent:
            yield Fault(
                ("rules", code, "on"),
                f"can't be true without a local value for {' and '.join(absent)} under [rules.{code}.values]",
            )


def _wrong(shape: Shape, name: str, value: Decimal) -> str | None:
    """What is wrong with a value of a rule."""
    bounds = shape.values.get(name)
    if bounds is None:
        text = meant(name, shape.values) if shape.values else "the rule takes none"
        return f"is no value of this rule; {text}"
    if value > bounds.highest:
        return f"should be at most {bounds.highest}"
    if bounds.whole and value != value.to_integral_value():
        return "should be a whole number"
    return None
