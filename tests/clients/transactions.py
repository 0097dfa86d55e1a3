"""What a charting tool that speaks only FHIR would post: a level, the suction, the air leak and the tidaling of one
look at a drain, in one transaction."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from drainledger.convert.settings import BASE
from tests.clients import scene

LOCAL = f"{BASE}/CodeSystem/chest-drain"
UCUM = "http://unitsofmeasure.org"
Json = dict[str, Any]


def look(drain: str, patient: str, at: datetime, name: str, level: int) -> Json:
    """A transaction. `drain` is the drain's Device, `patient` the Patient, both as `Type/id`; `name` makes the
    identifiers."""

    def observation(code: str, **value: Any) -> Json:
        return {
            "resourceType": "Observation",
            "identifier": [{"system": "https://tool.example/observation", "value": f"{name}-{code}"}],
            "status": "final",
            "code": {"coding": [{"system": LOCAL, "code": code}]},
            "subject": {"reference": patient},
            "focus": [{"reference": drain}],
            "effectiveDateTime": at.isoformat(),
            **value,
        }

    def quantity(value: int, unit: str) -> Json:
        return {"value": value, "unit": unit, "system": UCUM, "code": unit}

    looked = [
        observation("chamber-level", valueQuantity=quantity(level, "mL")),
        observation("suction-applied", valueQuantity=quantity(-20, "cm[H2O]")),
        observation(
            "tidaling", valueCodeableConcept={"coding": [{"system": LOCAL, "code": "tidaling-present"}]}
        ),
    ]
    return {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [{"resource": each, "request": {"method": "POST", "url": "Observation"}} for each in looked],
    }


def first_free_instant(minutes: int) -> datetime:
    """Some minutes after the scene's last reading."""
    return datetime.fromtimestamp(scene.END.timestamp() + 60 * minutes, scene.ZONE)
