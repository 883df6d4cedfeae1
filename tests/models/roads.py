"""Plain days on the road, minute by minute, for the account's habits and dates."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from tests.recorded import Sample

DAY_MS = 86_400_000
FIRST_MS = 20_454 * DAY_MS
"""2026-01-01T00:00:00Z, day 20,454 since 1970."""

FIRST_DAY = FIRST_MS // DAY_MS
START_KM = 50_000.0


def days_out(
    km: Sequence[float],
    *,
    celsius: float = 95.0,
    starts_c: float | None = None,
    speed_km_h: float = 60.0,
    trailer: float | None = None,
    start_km: float = START_KM,
    first_day: int = 0,
) -> Iterator[Sample]:
    """Drive so far [km] on each day, from eight in the morning; on a day of 0 km nothing is sent.

    ``starts_c``: the fluid starts there and takes half an hour to ``celsius``; without, it is there at once.
    """
    odometer_km = start_km
    for day, distance_km in enumerate(km, start=first_day):
        minutes = round(60.0 * distance_km / speed_km_h)
        for minute in range(minutes + 1 if minutes else 0):
            sample = {
                "time_ms": float(FIRST_MS + day * DAY_MS + (8 * 60 + minute) * 60_000),
                "fluid_temp_c": _warmed(
                    minute, celsius if starts_c is None else starts_c, celsius
                ),
                "ambient_temp_c": 20.0,
                "speed_km_h": speed_km_h,
                "engine_rpm": 1_800.0,
                "odometer_km": odometer_km + minute * speed_km_h / 60.0,
            }
            if trailer is not None:
                sample["trailer"] = trailer
            yield sample
        odometer_km += minutes * speed_km_h / 60.0


def _warmed(minute: int, starts_c: float, celsius: float) -> float:
    return round(starts_c + (celsius - starts_c) * min(1.0, minute / 30.0), 1)
