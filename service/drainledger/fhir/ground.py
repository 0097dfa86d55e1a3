"""What findings and values rest on, as the Observations that state it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from drainledger.domain.entries import Ground, What
from drainledger.fhir.ids import join
from drainledger.fhir.kit import Kit

#: The code of each; of several, the one that the record has, tried in this order.
_CODES: Mapping[What, tuple[str, ...]] = {
    "level": ("chamber-level",),
    "output": ("interval-output",),
    "sampled": ("sample-withdrawn",),
    "irrigated": ("irrigant-instilled",),
    "reinfused": ("volume-reinfused",),
    "suction": ("suction-set", "suction-applied", "suction-prescribed"),
    "suction-set": ("suction-set",),
    "suction-applied": ("suction-applied",),
    "suction-prescribed": ("suction-prescribed",),
    "pressure": ("drain-pressure",),
    "pattern": ("bubbling-pattern",),
    "grade": ("air-leak-grade",),
    "flow": ("air-leak-flow",),
    "appearance": ("fluid-appearance",),
    "reading": ("drain-panel",),
}


def observation_ids(kit: Kit, ground: Ground) -> list[str]:
    """The ids of the Observations that may state it: none where the site does not send such."""
    part = f"{ground.part}." if ground.part and ground.what == "level" else ground.part
    uuid = kit.ids.record(ground.owner)
    return [join(uuid, f"{part}{code}") for code in _CODES[ground.what] if code in kit.templates]


def ground_references(kit: Kit, grounds: Sequence[Ground]) -> list[str]:
    """The texts of literal references to what other records state."""
    found = [ident for ground in grounds for ident in observation_ids(kit, ground)]
    return [f'{{"reference":"Observation/{ident}","type":"Observation"}}' for ident in found]
