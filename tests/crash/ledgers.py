"""The ledgers that the service shows, and the same computed anew by `convert` from the records alone."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any

import httpx

from tests.acceptance.converted import converted
from tests.crash.stream import Sent

Ledgers = Mapping[str, Any]
"""By drain id, each as JSON."""


def recomputed(sent: Iterable[Sent]) -> Ledgers:
    """What `drainledger convert --emit ledger` says of these records."""
    whole = json.loads(converted([record.line for record in sent], emit="ledger"))
    return {drain["drain"]: drain for drain in whole["drains"]}


def shown(base: str, key: str, drains: Iterable[str]) -> Ledgers:
    """What the service says of these drains."""
    found: dict[str, Any] = {}
    headers = {"Authorization": f"Bearer {key}", "Accept": "application/json"}
    with httpx.Client(base_url=base, headers=headers, timeout=60, trust_env=False) as client:
        for drain in drains:
            answer = client.get(f"/v1/drains/{drain}/ledger")
            assert answer.status_code == 200, f"{drain}: {answer.status_code} {answer.text}"
            found |= {one["drain"]: one for one in answer.json()["drains"]}
    return found


def different(ours: Ledgers, theirs: Ledgers) -> list[str]:
    """The drains whose ledgers are not the same, with the first place at which they part."""
    return [
        f"{drain}: {_parting(ours.get(drain), theirs.get(drain))}"
        for drain in sorted(ours.keys() | theirs.keys())
        if ours.get(drain) != theirs.get(drain)
    ]


def _parting(ours: Any, theirs: Any, where: str = "") -> str:
    if isinstance(ours, dict) and isinstance(theirs, dict):
        for name in sorted(ours.keys() | theirs.keys()):
            if ours.get(name) != theirs.get(name):
                return _parting(ours.get(name), theirs.get(name), f"{where}/{name}")
    if isinstance(ours, list) and isinstance(theirs, list) and len(ours) == len(theirs):
        for index, (one, other) in enumerate(zip(ours, theirs, strict=True)):
            if one != other:
                return _parting(one, other, f"{where}/{index}")
    return f"{where or '/'}: {str(ours)[:300]} against {str(theirs)[:300]}"
