"""Simulated years through the real kernel: what the forecast said week by week, and what came."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.due import Due, due_of
from models.fleet import CHART, Vehicle
from models.kernel import KINDS, STATE, advance
from models.layout import blank, record
from models.parameters import parameters
from models.sample import SAMPLE
from simulator.duty import READING, Duty, drive
from tests.models.entries import count, entry

START_MS = 1_735_689_600_000
"""2025-01-01T00:00:00Z."""

DAY_MS = 86_400_000
YEARS_DAYS = 730
_SERVICE = KINDS.index("service_due")
_DUE = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """What was said at a time [Unix ms] of one interval of one truck, and when it was really due."""

    seed: int
    now_ms: int
    said: Due
    due_ms: int

    @property
    def lead_days(self) -> float:
        """How far ahead of the true date it was said [d]."""
        return (self.due_ms - self.now_ms) / DAY_MS

    @property
    def error_days(self) -> float:
        """Median date less true date [d]."""
        return _or_never(self.said.median_ms, self.due_ms) / DAY_MS

    @property
    def held(self) -> int:
        """-1: due before the interval began, 0: in it, 1: after it."""
        if _or_never(self.said.early_ms, self.due_ms) > 0.0:
            return -1
        return 1 if _or_never(self.said.late_ms, self.due_ms) < 0.0 else 0


def _or_never(time_ms: int | None, due_ms: int) -> float:
    return float("inf") if time_ms is None else float(time_ms - due_ms)


def samples_of(readings: NDArray[Any]) -> NDArray[Any]:
    """Give what the simulator read as samples; what it has no reading of is NaN."""
    samples = np.zeros(len(readings), SAMPLE)
    for name in SAMPLE.names or ():
        samples[name] = readings[name] if name in (READING.names or ()) else np.nan
    return samples


def forecasts(seed: int, *, period_s: int = 180) -> Iterator[Forecast]:
    """Drive a truck for two years and forecast once a week; serviced as soon as it is due.

    Yields what was said of each interval that ended in the two years.
    """
    params = parameters(Vehicle(name="NF-01"), CHART, max_gap_s=300.0, silent_after_s=1e9)
    # The balance of heat has no part in a service; weighing it takes most of the kernel's time.
    params["thermal"]["bank"]["circuit"]["kind"] = 0
    state = blank(STATE)
    count(params, state, entry("install", START_MS))
    samples = np.concatenate(
        [
            samples_of(part)
            for part in drive(Duty(seed=seed, start_ms=START_MS, period_s=period_s))
        ]
    )
    said: list[tuple[int, Due]] = []
    for now_ms in range(
        START_MS + (1 + seed % 7) * DAY_MS, START_MS + YEARS_DAYS * DAY_MS, 7 * DAY_MS
    ):
        end = int(np.searchsorted(samples["time_ms"], now_ms))
        week, samples = samples[:end], samples[end:]
        due_ms, state = _week(params, state, week)
        if due_ms:
            for then_ms, due in said:
                yield Forecast(seed=seed, now_ms=then_ms, said=due, due_ms=due_ms)
            said = []
        said.append((now_ms, due_of(record(params), record(state), now_ms)))


def _week(
    params: NDArray[Any], state: NDArray[Any], week: NDArray[Any]
) -> tuple[int, NDArray[Any]]:
    """Take in a week; a service that falls due in it is done at once. Gives when it was due, or 0."""
    before = state.copy()
    due_ms = _due_ms(advance(params, state, 0, week))
    if not due_ms:
        return 0, state
    until = int(np.searchsorted(week["time_ms"], due_ms, side="right"))
    advance(params, before, 0, week[:until])
    count(params, before, entry("exchange", due_ms))
    advance(params, before, 0, week[until:])
    return due_ms, before


def _due_ms(found: list[NDArray[Any]]) -> int:
    for block in found:
        for event in block:
            if event["kind"] == _SERVICE and event["active"] and event["priority"] == _DUE:
                return int(event["time_ms"])
    return 0
