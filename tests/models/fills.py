"""The account of a fill, straight from the kernel."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import fields
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.course import run as models_run
from models.fleet import CHART, Vehicle
from models.interval import Causes
from models.kernel import STATE
from models.layout import blank, record
from models.parameters import parameters
from models.statement import Statement, statement
from tests.models.entries import course, entry
from tests.recorded import NOON_MS, Sample, records

HOUR_MS = 3_600_000


INSTALLED = {
    "installed_ms": "time_ms",
    "installed_odometer_km": "odometer_km",
    "life_used_at_start": "life_used",
}
"""What may be said of a fill, and what the entry of the service record calls it."""


def fill_params(*, max_gap_s: float = 300.0, **account: float) -> NDArray[Any]:
    """Give the parameters of a default truck, numbers of its account replaced by name.

    Every reading of the fluid is believed at once: drives made up for the account may leap.
    """
    params = parameters(Vehicle(name="NF-01"), CHART, max_gap_s=max_gap_s, silent_after_s=900.0)
    params[0]["latest"]["leap_k"] = math.inf
    for name, value in account.items():
        own = params[0]["account"]
        place = own["ageing"] if name in (own["ageing"].dtype.names or ()) else own
        place[name] = value
    return params


def run(params: NDArray[Any], samples: Iterable[Sample], **installed: float) -> NDArray[Any]:
    """Run samples on a fill of which something is said, by names of ``INSTALLED``, or nothing."""
    state = blank(STATE)
    told = {INSTALLED[name]: value for name, value in installed.items()}
    entries = (
        [entry("install", told.pop("time_ms", -1.0), epoch=0, **told)] if installed else []
    )
    models_run(course(params, *entries), state, records(samples))
    return state


def stated(params: NDArray[Any], state: NDArray[Any]) -> Statement:
    return statement(record(params).account, record(state).truck.account)


def account_of(
    samples: Iterable[Sample], *, max_gap_s: float = 300.0, **account: float
) -> Statement:
    installed = {name: account.pop(name) for name in INSTALLED if name in account}
    params = fill_params(max_gap_s=max_gap_s, **account)
    return stated(params, run(params, samples, **installed))


def profile(hours: Sequence[float], celsius: Sequence[float]) -> list[dict[str, float]]:
    """Record the fluid alone at the given hours."""
    return [
        {"time_ms": NOON_MS + round(hour * HOUR_MS), "fluid_temp_c": value}
        for hour, value in zip(hours, celsius, strict=True)
    ]


def steps(stretches: Sequence[tuple[float, float]]) -> list[dict[str, float]]:
    """Record stretches of (hours, °C), each at one temperature; a jump takes a millisecond."""
    ends = np.cumsum([0.0, *(hours for hours, _ in stretches)]) * HOUR_MS
    samples: list[dict[str, float]] = []
    for (begin, end), (_, celsius) in zip(pairwise(ends), stretches, strict=True):
        samples.append({"time_ms": NOON_MS + round(begin) + 1, "fluid_temp_c": celsius})
        samples.append({"time_ms": NOON_MS + round(end), "fluid_temp_c": celsius})
    return samples


FOREVER_S = math.inf
"""A longest gap that never ends a span: for profiles given at their corners only."""


def main_cause(causes: Causes) -> str | None:
    """Give the cause with the greatest share, None where nothing is used yet."""
    shares = {field.name: getattr(causes, field.name) for field in fields(causes)}
    name = max(shares, key=lambda cause: shares[cause])
    return name if shares[name] > 0.0 else None
