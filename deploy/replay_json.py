"""The result of a replay for another program: JSON lines."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import msgspec

from deploy.replay import Result
from models.units import rfc3339


def json_lines(result: Result) -> Iterator[bytes]:
    """Write a result as JSON lines: each transition in time order, then each truck's account."""
    for transition in result.transitions:
        yield _json(
            {
                "type": "alarm",
                "time": rfc3339(transition.time_ms),
                "vehicle": transition.vehicle,
                "alarm": transition.kind,
                "state": "active" if transition.active else "normal",
                "priority": transition.priority.name.lower(),
                "probability": transition.probability,
                "evidence": transition.evidence,
            }
        )
    for truck in result.trucks:
        account = truck.account
        yield _json(
            {
                "type": "account",
                "vehicle": truck.vehicle,
                "life_used": account.life_used,
                "equivalent_hours": account.equivalent_hours,
                "mean_kinetic_temp_c": account.mean_kinetic_temp_c,
                "distance_km": account.distance_km,
                "unseen_km": account.unseen_km,
                "samples": account.samples,
                "quarantined": truck.quarantined,
            }
        )


def _json(entry: dict[str, Any]) -> bytes:
    # A number that is not known (NaN) becomes null: JSON has no other word for it.
    return msgspec.json.encode(entry) + b"\n"
