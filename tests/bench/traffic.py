"""The messages of the bench: plain telemetry of many trucks, the same for whoever takes them."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator

START_S = 1_781_589_600
PERIOD_S = 5


def traffic(count: int, *, samples: int, trucks: int) -> Iterator[tuple[str, bytes]]:
    """Yield messages, truck after truck in turn, each truck's in order of time."""
    for number in range(count):
        truck, turn = number % trucks, number // trucks
        entries = [_sample(truck, turn * samples + place) for place in range(samples)]
        document = entries[0] if samples == 1 else entries
        payload = json.dumps(document, separators=(",", ":")).encode()
        yield f"fleet/BENCH-{truck:03d}/telemetry", payload


def _sample(truck: int, step: int) -> dict[str, object]:
    wave = math.sin(step / 50 + truck)
    return {
        "time": START_S + step * PERIOD_S,
        "fluid_temp_c": round(88 + 9 * wave, 1),
        "ambient_temp_c": round(21 + wave, 1),
        "coolant_temp_c": round(92 + 2 * wave, 1),
        "speed_km_h": round(70 + 20 * wave, 1),
        "engine_rpm": round(1800 + 300 * wave),
        "engine_load_pct": round(55 + 30 * wave, 1),
        "gear": 5,
        "lockup": True,
        "odometer_km": round(100_000 + step * 0.1, 1),
        "seq": step + 1,
    }
