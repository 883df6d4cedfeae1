"""A made-up truck with known gears: pieces of road in one gear, with the slip its clutch has there."""

from __future__ import annotations

import math
from collections.abc import Iterator
from random import Random

from tests.recorded import NOON_MS, Sample

RATIO = {3: 41.0, 4: 31.0, 5: 23.0, 6: 18.0}
"""Engine speed per road speed with the clutch closed [rpm per km/h]."""

RATED_NM = 850.0


class Road:
    """Samples of one truck, piece by piece; ``tyre`` scales its ratios, signals and values may be lost."""

    def __init__(
        self,
        *,
        period_s: float = 10.0,
        absent: tuple[str, ...] = (),
        lost: float = 0.0,
        seed: int = 1,
    ) -> None:
        self.samples: list[Sample] = []
        self.tyre = 1.0
        self._period_s, self._absent, self._lost = period_s, absent, lost
        self._rng = Random(seed)
        self._now_ms = NOON_MS

    def piece(
        self,
        minutes: float,
        *,
        gear: int = 5,
        km_h: float = 72.0,
        load: float = 0.4,
        slip_rpm: float = 15.0,
        lockup: bool = True,
    ) -> None:
        """Drive on; in overrun (``load`` 0) nothing slips but a little the other way."""
        for _ in range(round(60.0 * minutes / self._period_s)):
            speed = km_h * (1.0 + 0.02 * math.sin(self._now_ms / 70_000.0))
            slip = slip_rpm if load > 0.0 else -4.0
            rpm = RATIO[gear] * self.tyre * speed + slip
            self._now_ms += round(1000.0 * self._period_s)
            sample = {
                "time_ms": self._now_ms,
                "fluid_temp_c": 88.0,
                "ambient_temp_c": 20.0,
                "speed_km_h": round(speed + self._rng.gauss(0.0, 0.15), 1),
                "engine_rpm": float(round(rpm + self._rng.gauss(0.0, 4.0))),
                "engine_torque_nm": load * RATED_NM if load > 0.0 else -30.0,
                "gear": gear,
                "lockup": lockup,
                "lockup_slip_rpm": float(round(slip)) if lockup else 0.0,
            }
            self.samples.append(dict(self._told(sample)))

    def healthy_hour(self) -> None:
        """Drive on flat and rolling road, as a sound clutch does."""
        for _ in range(3):
            self.piece(9)
            self.piece(3, load=0.0)
            self.piece(6, gear=6, km_h=85.0)
            self.piece(2, gear=6, km_h=80.0, load=0.0)

    def _told(self, sample: Sample) -> Iterator[tuple[str, float]]:
        for name, value in sample.items():
            kept = name == "time_ms" or self._rng.random() >= self._lost
            if name not in self._absent and kept:
                yield name, value
