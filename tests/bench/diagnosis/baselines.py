"""Two judges to compare with: a fixed limit with a delay, and a CUSUM, both on the temperature alone."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.compiled import compiled
from tests.bench.diagnosis.outcome import Alarm
from tests.bench.diagnosis.road import START_MS

LIMIT_C = 110.0
"""Limit on the sump [°C]; chosen on the tuning trucks with the delay."""

LIMIT_DELAY_S = 60.0
"""How long the fluid must be above it without a break [s]."""

HOTTER_PLACE_K = 15.0
"""What is allowed more where the sensor sits beyond the converter [K]."""

WARM_UP_S = 1_500.0
"""Start of each drive that the CUSUM leaves out [s]; own choice."""

LEARN_MINUTES = 120
"""Warm minutes from which the CUSUM takes this truck's mean and spread; own choice."""

SLACK = 0.5
"""Allowance of the CUSUM [standard deviations] (Montgomery's usual k, from memory)."""

DECISION = 300.0
"""Decision interval of the CUSUM [standard deviations]. Montgomery's usual 4 or 5 is for independent
values; those of a minute are not, so it was chosen on the tuning trucks."""

BREAK_S = 300.0
"""A gap that ends a drive [s]."""


def fixed_limit(
    samples: NDArray[Any],
    *,
    beyond_converter: bool,
    limit_c: float = LIMIT_C,
    delay_s: float = LIMIT_DELAY_S,
) -> tuple[Alarm, ...]:
    """Raise, once a drive, when the fluid has been above a limit for some time."""
    limit_c += HOTTER_PLACE_K if beyond_converter else 0.0
    alarms = []
    for seconds, fluid_c in _drives(samples):
        cool = fluid_c < limit_c
        # Time since the fluid was last below; before the first such reading since the drive began.
        last_cool_s = np.maximum.accumulate(np.where(cool, seconds, seconds[0]))
        late = np.flatnonzero(~cool & (seconds - last_cool_s >= delay_s))
        if len(late):
            alarms.append(Alarm(kind="too hot", second=float(seconds[late[0]])))
    return tuple(alarms)


@compiled
def accumulate(level: float, z: float, k: float) -> float:
    """Take one standardised value into a one-sided CUSUM with reference value ``k`` [-]."""
    return max(0.0, level + z - k)


def cusum(samples: NDArray[Any], *, decision: float = DECISION) -> tuple[Alarm, ...]:
    """Raise, once a drive and side, when warm minutes leave what this truck showed at first."""
    alarms: list[Alarm] = []
    learned: list[float] = []
    for seconds, fluid_c in _drives(samples):
        minutes = _minutes(seconds, fluid_c)
        if len(learned) < LEARN_MINUTES:
            learned += [celsius for _, celsius in minutes]
            continue
        first = learned[:LEARN_MINUTES]
        mean_c, sd_k = float(np.mean(first)), max(1.0, float(np.std(first)))
        alarms += _run(minutes, mean_c, sd_k, decision)
    return tuple(sorted(alarms, key=lambda alarm: alarm.second))


def _run(
    minutes: list[tuple[float, float]], mean_c: float, sd_k: float, decision: float
) -> Iterator[Alarm]:
    for sign, kind in ((1.0, "hotter"), (-1.0, "colder")):
        level = 0.0
        for second, celsius in minutes:
            level = accumulate(level, sign * (celsius - mean_c) / sd_k, SLACK)
            if level > decision:
                yield Alarm(kind=kind, second=second)
                break


def _drives(
    samples: NDArray[Any],
) -> Iterator[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Split readings of the fluid where nothing came for long; seconds [s] and fluid [°C], both (n,)."""
    read = samples[~np.isnan(samples["fluid_temp_c"])]
    seconds = (read["time_ms"] - START_MS) / 1000.0
    breaks = np.flatnonzero(np.diff(seconds) > BREAK_S) + 1
    for part in np.split(np.arange(len(read)), breaks):
        if len(part):
            yield seconds[part], read["fluid_temp_c"][part]


def _minutes(
    seconds: NDArray[np.float64], fluid_c: NDArray[np.float64]
) -> list[tuple[float, float]]:
    """Give the means of the warm minutes with the second at which each is complete."""
    warm = seconds >= seconds[0] + WARM_UP_S
    seconds, fluid_c = seconds[warm], fluid_c[warm]
    cuts = np.flatnonzero(np.diff(seconds // 60.0)) + 1
    return [
        (float(seconds[part][-1]), float(np.mean(fluid_c[part])))
        for part in np.split(np.arange(len(seconds)), cuts)
        if len(part)
    ]
