"""The experiment's own book: what each gateway recorded, and what the broker acknowledged to it.

It shares nothing with the daemon but the message contract.
"""

from __future__ import annotations

import json
import math
import threading
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

Values = tuple[float, ...]


@dataclass(slots=True)
class Recorded:
    """One truck's samples by counter, and the counters that the broker has acknowledged."""

    samples: dict[int, Mapping[str, Any]] = field(default_factory=dict)
    acknowledged: set[int] = field(default_factory=set)


class Ledger:
    """Notes from the gateways' threads; read when the experiment is over."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self.trucks: dict[str, Recorded] = {}

    def record(self, vehicle: str, seq: int, sample: Mapping[str, Any]) -> None:
        """Note that a gateway has taken up a sample."""
        with self._lock:
            self.trucks.setdefault(vehicle, Recorded()).samples[seq] = sample

    def acknowledge(self, vehicle: str, payload: bytes) -> None:
        """Note that the broker has acknowledged a message."""
        document = json.loads(payload)
        entries = document if isinstance(document, list) else [document]
        with self._lock:
            self.trucks[vehicle].acknowledged.update(entry["seq"] for entry in entries)

    @property
    def recorded(self) -> int:
        """How many samples the gateways have taken up."""
        with self._lock:
            return sum(len(truck.samples) for truck in self.trucks.values())

    @property
    def acknowledged(self) -> int:
        """How many of them the broker has acknowledged."""
        with self._lock:
            return sum(len(truck.acknowledged) for truck in self.trucks.values())


def time_ms(sample: Mapping[str, Any]) -> int:
    """Read a sample's time."""
    time = sample["time"]
    if isinstance(time, str):
        return round(datetime.fromisoformat(time).timestamp() * 1000)
    return round(float(time) * 1000)


def values(sample: Mapping[str, Any], names: tuple[str, ...]) -> Values:
    """Read a sample's signals as numbers, NaN where absent."""
    return tuple(float(sample.get(name, math.nan)) for name in names)
