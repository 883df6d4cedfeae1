"""What the trucks of an experiment will say: samples of simulated trucks, in order of time."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from typing import Any

from simulator.capture import fleet_messages
from simulator.northfold import START_MS, northfold
from simulator.plan import fleet_toml
from simulator.random_fleet import random_fleet

Sample = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """Samples as (truck, sample) in order of time, without counter; and the fleet file."""

    samples: tuple[tuple[str, Sample], ...]
    fleet_file: str
    vehicles: tuple[str, ...]


def material(seed: int, *, hours: float, more_trucks: int = 0) -> Material:
    """Simulate the demo fleet, and more trucks with faults of their own, for some hours."""
    demo = northfold()
    plans = demo.plans
    if more_trucks:
        plans = (*plans, *random_fleet(seed, more_trucks, faulty_share=0.5, hours=hours).plans)
    fleet = replace(demo, plans=plans)
    seen: set[tuple[str, int]] = set()
    found: list[tuple[str, Sample]] = []
    for message in fleet_messages(
        fleet, start_ms=START_MS, duration_s=hours * 3600.0, seed=seed
    ):
        _, vehicle, suffix = message.topic.split("/")
        if suffix != "telemetry":
            continue
        payload = json.loads(message.payload)
        for sample in payload if isinstance(payload, list) else [payload]:
            key = (vehicle, sample.pop("seq"))
            if key not in seen:
                seen.add(key)
                found.append((vehicle, sample))
    return Material(
        samples=tuple(found),
        fleet_file=fleet_toml(fleet),
        vehicles=tuple(plan.vehicle for plan in plans),
    )
