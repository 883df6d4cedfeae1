"""What the trucks of an experiment will say: samples of simulated trucks, in order of time."""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, replace
from functools import cache
from itertools import cycle
from typing import Any

from simulator.capture import fleet_messages
from simulator.northfold import START_MS, northfold
from simulator.plan import fleet_toml
from simulator.random_fleet import random_fleet

Sample = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """Samples as (truck, sample), without counter; and the fleet file.

    The first sample of each truck comes first of all: what is lost before anything was ever
    heard of a truck cannot be counted. All others are in order of time.
    """

    samples: tuple[tuple[str, Sample], ...]
    fleet_file: str
    vehicles: tuple[str, ...]


@cache
def material(seed: int, *, hours: float, more_trucks: int = 0) -> Material:
    """Simulate the demo fleet, and more trucks with faults of their own, for some hours."""
    fleet = northfold()
    if more_trucks:
        more = random_fleet(seed, more_trucks, faulty_share=0.5, hours=hours)
        fleet = replace(
            fleet, plans=(*fleet.plans, *more.plans), fluids={**fleet.fluids, **more.fluids}
        )
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
    firsts = {vehicle: number for number, (vehicle, _) in reversed(list(enumerate(found)))}
    first = set(firsts.values())
    order = [*sorted(first), *(number for number in range(len(found)) if number not in first)]
    return Material(
        samples=tuple(found[number] for number in order),
        fleet_file=fleet_toml(fleet),
        vehicles=tuple(firsts),
    )


class Live:
    """Samples for as long as somebody asks, each with the time at which it is asked for."""

    def __init__(self, stock: Material, now_ms: Callable[[], int]) -> None:
        self._stock = stock
        self._now_ms = now_ms

    def __iter__(self) -> Iterator[tuple[str, Sample]]:
        newest: dict[str, int] = {}
        for vehicle, sample in cycle(self._stock.samples):
            newest[vehicle] = max(self._now_ms(), newest.get(vehicle, 0) + 1)
            yield vehicle, {**sample, "time": newest[vehicle] / 1000.0}


def only(whole: Material, vehicles: Collection[str]) -> Material:
    """Leave out all other trucks."""
    return replace(
        whole,
        samples=tuple(one for one in whole.samples if one[0] in vehicles),
        vehicles=tuple(name for name in whole.vehicles if name in vehicles),
    )
