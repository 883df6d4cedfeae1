"""Made-up recordings: samples of the contract as records, and as the messages that carry them."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ingest.codec import absent
from ingest.message import Message
from models.sample import SIGNALS

NOON_MS = 1_767_268_800_000
"""2026-01-01T12:00:00Z; an hour boundary, so that shifted copies of a stream align."""

MINUTE_MS = 60_000
HOUR_MS = 3_600_000

Sample = Mapping[str, float]
"""Values by name, ``time_ms`` among them; what is not there is absent."""

_KINDS = {signal.name: signal.kind for signal in SIGNALS}
_GIVEN = {"number": float, "integer": int, "boolean": bool}


def records(samples: Iterable[Sample]) -> NDArray[Any]:
    """Put samples into an array, in the order given."""
    listed = list(samples)
    table = absent(len(listed))
    for row, sample in enumerate(listed):
        for name, value in sample.items():
            table[name][row] = value
    return table


def as_json(sample: Sample, seq: int | None = None) -> dict[str, object]:
    """Write a sample as the contract wants it."""
    time_ms = int(sample["time_ms"])
    body: dict[str, object] = {"time": time_ms / 1000.0}
    for name, value in sample.items():
        if name != "time_ms" and not math.isnan(value):
            body[name] = _GIVEN[_KINDS[name]](value)
    if seq is not None:
        body["seq"] = seq
    return body


def message(vehicle: str, samples: Sequence[Sample]) -> Message:
    """Write one telemetry message: an object for one sample, an array for more."""
    bodies = [as_json(sample) for sample in samples]
    payload = json.dumps(bodies[0] if len(bodies) == 1 else bodies).encode()
    return Message(topic=f"fleet/{vehicle}/telemetry", payload=payload)


def merged(samples: Iterable[Sample]) -> tuple[NDArray[Any], set[tuple[int, str, float]]]:
    """Merge samples with one time the plain way: the greater value wins, the others are losers."""
    offered: dict[int, dict[str, set[float]]] = {}
    for sample in samples:
        row = offered.setdefault(int(sample["time_ms"]), {})
        for name, value in sample.items():
            if name != "time_ms" and not math.isnan(value):
                row.setdefault(name, set()).add(float(value))
    best = [
        {"time_ms": time_ms, **{name: max(values) for name, values in offered[time_ms].items()}}
        for time_ms in sorted(offered)
    ]
    losers = {
        (time_ms, name, value)
        for time_ms, row in offered.items()
        for name, values in row.items()
        for value in values - {max(values)}
    }
    return records(best), losers


def climb(
    minutes: int,
    *,
    start_ms: int = NOON_MS,
    period_ms: int = MINUTE_MS,
    start_c: float = 70.0,
    slope_k_min: float = 1.0,
    highest_c: float = 150.0,
    torque_nm: float = 600.0,
    **other: float,
) -> list[dict[str, float]]:
    """Record a pull: fluid warming in a straight line up to ``highest_c``, at 60 km/h."""
    return [
        {
            "time_ms": float(start_ms + offset),
            "fluid_temp_c": min(highest_c, start_c + slope_k_min * offset / MINUTE_MS),
            "ambient_temp_c": 20.0,
            "speed_km_h": 60.0,
            "engine_rpm": 1800.0,
            "engine_torque_nm": torque_nm,
            "gear": 4.0,
            "lockup": 1.0,
            "odometer_km": round(50_000.0 + offset / MINUTE_MS, 1),
            **other,
        }
        for offset in range(0, minutes * MINUTE_MS, period_ms)
    ]


def same_bytes(left: NDArray[Any], right: NDArray[Any]) -> bool:
    """Say whether two arrays are equal to the last bit (NaN equal to NaN)."""
    return left.dtype == right.dtype and left.tobytes() == right.tobytes()


def ordered(samples: Iterable[Sample]) -> bool:
    """Say whether times rise strictly."""
    times = np.array([sample["time_ms"] for sample in samples])
    return bool((np.diff(times) > 0).all())
