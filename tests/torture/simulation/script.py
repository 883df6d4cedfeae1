"""What the trucks of a simulation say, and in what messages."""

from __future__ import annotations

import json
from dataclasses import dataclass
from random import Random

from ingest.message import Message
from tests.recorded import HOUR_MS, MINUTE_MS, as_json

START_MS = 1_769_896_800_000
"""2026-01-31T22:00:00Z: a month ends within each run."""

VEHICLES = ("NF-01", "NF-02", "NF-03")

NONSENSE = (b"{", b"[]", b"\xff\xfe", b'{"time": 12}', b'{"time": "now", "fluid_temp_c": 91}')


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """A message of a truck, with what it holds by counter; nothing for nonsense."""

    vehicle: str
    samples: dict[int, dict[str, float]]
    payload: bytes

    @property
    def message(self) -> Message:
        """Give it as it is published."""
        return Message(topic=f"fleet/{self.vehicle}/telemetry", payload=self.payload)


def script(rng: Random, *, minutes: int) -> list[Said]:
    """Write the messages of all trucks, each truck's in order of time, mixed as they would come."""
    found: list[tuple[float, Said]] = []
    for vehicle in VEHICLES:
        drive = _drive(rng, minutes)
        seq = 0
        while seq < len(drive):
            size = rng.choice((1, 1, 2, 6))
            part = dict(list(enumerate(drive))[seq : seq + size])
            seq += len(part)
            bodies = [as_json(sample, number) for number, sample in part.items()]
            payload = json.dumps(bodies[0] if len(bodies) == 1 else bodies).encode()
            last_ms = drive[seq - 1]["time_ms"]
            found.append((last_ms, Said(vehicle=vehicle, samples=part, payload=payload)))
            if rng.random() < 0.02:
                bad = Said(vehicle=vehicle, samples={}, payload=rng.choice(NONSENSE))
                found.append((last_ms, bad))
    found.sort(key=lambda each: each[0])
    return [said for _, said in found]


def _drive(rng: Random, minutes: int) -> list[dict[str, float]]:
    """Record a truck whose fluid warms and cools as chance has it, with a rest now and then."""
    temp_c, aim_c, pace_k = 80.0, 80.0, 1.0
    time_ms, odometer_km = float(START_MS + rng.randrange(50) * 1000), 49_990.0
    samples = []
    for _ in range(minutes):
        if rng.random() < 0.1:
            aim_c = rng.choice((75.0, 90.0, 118.0, 130.0, 145.0))
            pace_k = rng.uniform(1.0, 9.0)
        temp_c += max(-pace_k, min(pace_k, aim_c - temp_c)) + rng.uniform(-0.3, 0.3)
        moving = rng.random() < 0.9
        odometer_km += 1.0 if moving else 0.0
        samples.append(
            {
                "time_ms": time_ms,
                "fluid_temp_c": round(temp_c, 1),
                "ambient_temp_c": 20.0,
                "speed_km_h": 60.0 if moving else 0.0,
                "engine_rpm": 1800.0 if moving else 700.0,
                "engine_torque_nm": 600.0 if moving else 50.0,
                "gear": 4.0 if moving else 0.0,
                "lockup": 1.0 if moving else 0.0,
                "odometer_km": round(odometer_km, 1),
            }
        )
        time_ms += HOUR_MS // 2 if rng.random() < 0.01 else MINUTE_MS
    return samples
