"""The test rules with every rule of the shipped attention.toml switched on, the clinical ones too."""

from __future__ import annotations

from decimal import Decimal

from msgspec.structs import replace

from tests.journals.books import mappings
from tests.journals.rules import RULES

#: For the rule that ships without values of its own; invented.
_LOCAL = {"ml_per_kg_per_hour": Decimal(2), "hours": Decimal(2)}

EVERY_RULE = replace(
    RULES,
    version="tests, every rule on",
    attention={
        code: replace(rule, on=True, kinds=(), values=rule.values or _LOCAL)
        for code, rule in mappings().rules.attention.items()
    },
    profiles={
        name: replace(profile, large_rise=Decimal(100), relief_pressure=Decimal(-30))
        for name, profile in RULES.profiles.items()
    },
)
