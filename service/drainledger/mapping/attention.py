"""mappings/attention.toml: which rules are on, with which values, from which source."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Final, Literal

from msgspec import Struct
from pydantic import Field

from drainledger.domain.collectors import AttentionRule
from drainledger.mapping.errors import Fault
from drainledger.mapping.files import Model, Number, Text, meant


class Shape(Struct, frozen=True):
    """What the arithmetic knows of a rule: whether it speaks of the patient, and the values that it needs."""

    clinical: bool
    values: tuple[str, ...] = ()


SHAPES: Final = {
    "chamber-nearly-full": Shape(False, ("share",)),
    "reading-overdue": Shape(False, ("grace_minutes",)),
    "large-rise": Shape(False),
    "still-clamped": Shape(False, ("minutes",)),
    "hourly-output": Shape(True, ("ml_per_hour", "hours")),
    "daily-output": Shape(True, ("ml", "hours")),
    "output-at-once": Shape(True, ("ml", "minutes")),
    "hourly-output-per-weight": Shape(True, ("ml_per_kg_per_hour", "hours")),
    "output-stopped-abruptly": Shape(True, ("ml_per_hour", "hours")),
    "appearance-changed": Shape(True),
    "air-leak-prolonged": Shape(True, ("days",)),
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
        for name in rule.values:
            if name not in shape.values:
                text = meant(name, shape.values) if shape.values else "the rule takes none"
                yield Fault(("rules", code, "values", name), f"is no value of this rule; {text}")
        absent = [name for name in shape.values if name not in rule.values]
        if rule.on and absent:
            yield Fault(
                ("rules", code, "on"),
                f"can't be true without a local value for {' and '.join(absent)} under [rules.{code}.values]",
            )
