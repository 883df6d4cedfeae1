"""What a span of days was to one truck: life used, heat, distance; from its states and its samples."""

from __future__ import annotations

import math
import sqlite3
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ingest import journal
from models.due import Due
from models.interval import interval
from models.layout import record
from models.travel import distance_km
from review.past import state_at
from review.reading import Stored
from review.standing import due_now

_HOUR_MS = 3_600_000

LEAST_S = 600.0
"""So long the fluid must have been measured in an hour for the hour to be named [s]. Own choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HotHour:
    """An hour by the clock that begins at ``start_ms`` [Unix ms], and the fluid's mean in it [°C]."""

    start_ms: int
    mean_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TruckWeek:
    """One truck over a span.

    ``life_gained`` [-] is None when the fluid was changed meanwhile. Of a truck that was first heard
    in the span it counts from then on, as the distance does.
    ``hottest``: its hottest hours, the hottest first; ``peaks_c``: the highest reading of each day [°C].
    ``above_s``: time above ``limit_c`` [s, °C]; ``seen_s``: time measured [s].
    """

    name: str
    life_used: float
    life_low: float
    life_high: float
    life_gained: float | None
    distance_km: float
    seen_s: float
    above_s: float
    limit_c: float
    hottest: tuple[HotHour, ...]
    peaks_c: tuple[tuple[date, float], ...]
    due: Due


def truck_week(
    conn: sqlite3.Connection,
    stored: Stored,
    *,
    since_ms: int,
    until_ms: int,
    max_gap_s: float,
    zone: tzinfo,
) -> TruckWeek | None:
    """Sum up a truck's span; None while it has no account that holds."""
    if stored.held is None or stored.state is None:
        return None
    vehicle_id = stored.held.vehicle_id
    samples = journal.read(conn, vehicle_id=vehicle_id, first_ms=since_ms, last_ms=until_ms - 1)
    begin_ms = since_ms
    span = journal.span(conn, vehicle_id=vehicle_id)
    if span is not None and span[0] >= since_ms and samples.size > 1:
        # What a truck had behind it when it was first heard is counted at its second sample: no week's work.
        begin_ms = int(samples["time_ms"][1]) + 1
    before = record(state_at(conn, stored.held, begin_ms)).truck.account
    account, params = stored.account, stored.params
    band = interval(params.account, account)
    heat = _Heat.of(samples, max_gap_s)
    limit_c = float(params.over_temperature.limit_c)
    same_fluid = before.filling.opened and before.filling.services == account.filling.services
    return TruckWeek(
        name=stored.name,
        life_used=band.best,
        life_low=band.low,
        life_high=band.high,
        life_gained=max(0.0, float(account.life_used - before.life_used))
        if same_fluid
        else None,
        distance_km=max(0.0, float(distance_km(account.travel) - distance_km(before.travel))),
        seen_s=float(heat.span_s.sum()),
        above_s=float(heat.span_s[heat.mean_c > limit_c].sum()),
        limit_c=limit_c,
        hottest=heat.hours(zone),
        peaks_c=heat.peaks(zone),
        due=due_now(stored, until_ms),
    )


@dataclass(frozen=True, slots=True)
class _Heat:
    """The fluid between neighbouring samples: when each span begins, how long it is, its mean, its end."""

    start_ms: NDArray[np.int64]
    span_s: NDArray[np.float64]
    mean_c: NDArray[np.float64]
    fluid_c: NDArray[np.float64]

    @classmethod
    def of(cls, samples: NDArray[Any], max_gap_s: float) -> _Heat:
        """Take the spans over which the fluid was measured; longer ones than a gap are unseen."""
        known = samples[np.isfinite(samples["fluid_temp_c"])]
        time_ms, fluid_c = known["time_ms"], known["fluid_temp_c"]
        span_s = np.diff(time_ms) / 1000.0
        seen = span_s <= max_gap_s
        return cls(
            time_ms[:-1][seen],
            span_s[seen],
            ((fluid_c[:-1] + fluid_c[1:]) / 2.0)[seen],
            fluid_c[:-1][seen],
        )

    def hours(self, zone: tzinfo, most: int = 3) -> tuple[HotHour, ...]:
        """Give the hours by the wall clock in which the fluid was hottest on average."""
        if not self.start_ms.size:
            return ()
        # Zones that are off by half an hour begin their hours there.
        off_ms = _offset_ms(int(self.start_ms[0]), zone) % _HOUR_MS
        hours, places = np.unique((self.start_ms + off_ms) // _HOUR_MS, return_inverse=True)
        seconds = np.bincount(places, self.span_s)
        sums = np.bincount(places, self.span_s * self.mean_c)
        with np.errstate(invalid="ignore", divide="ignore"):
            means = np.where(seconds >= LEAST_S, sums / seconds, -math.inf)
        order = np.argsort(-means, kind="stable")[:most]
        return tuple(
            HotHour(start_ms=int(hours[each]) * _HOUR_MS - off_ms, mean_c=float(means[each]))
            for each in order
            if math.isfinite(means[each])
        )

    def peaks(self, zone: tzinfo) -> tuple[tuple[date, float], ...]:
        """Give the highest reading of each day by the wall clock."""
        if not self.start_ms.size:
            return ()
        first = _day(int(self.start_ms[0]), zone)
        last = _day(int(self.start_ms[-1]), zone)
        days = [first + timedelta(days=nth) for nth in range((last - first).days + 1)]
        edges = [_midnight_ms(day, zone) for day in [*days, last + timedelta(days=1)]]
        cuts = np.searchsorted(self.start_ms, edges)
        return tuple(
            (day, float(self.fluid_c[low:high].max()))
            for day, low, high in zip(days, cuts, cuts[1:], strict=False)
            if high > low
        )


def _offset_ms(time_ms: int, zone: tzinfo) -> int:
    offset = datetime.fromtimestamp(time_ms / 1000, zone).utcoffset() or timedelta()
    return round(offset.total_seconds() * 1000)


def _day(time_ms: int, zone: tzinfo) -> date:
    return datetime.fromtimestamp(time_ms / 1000, UTC).astimezone(zone).date()


def _midnight_ms(day: date, zone: tzinfo) -> int:
    return round(datetime(day.year, day.month, day.day, tzinfo=zone).timestamp() * 1000)
