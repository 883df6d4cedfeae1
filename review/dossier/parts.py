"""The parts of a review, each from what was gathered for it."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ingest.held import Held
from ingest.record import Entry
from models.account import unseen_equivalent_s
from models.soak import time_constant_s
from review.dossier.departure import fault
from review.dossier.duty import costs
from review.dossier.excursions import Run, above_s
from review.dossier.facts import (
    Basis,
    Course,
    Excursion,
    Level,
    Limits,
    Readings,
    Span,
    Thinning,
)
from review.dossier.walk import Kept, kept, stays
from review.reading import Reader, Stored

LEVELS_C = (
    ("the trade's best life ends (200 °F)", 200.0),
    ("the trade's damage begins (225 °F)", 225.0),
    ("300 °F", 300.0),
)
"""Names and temperatures [°F] beside the truck's own limits; rules of the trade, no primary source."""

_MIXES = frozenset({"pan_drop", "top_up", "exchange", "fluid_change"})
_HOUR_MS = 3_600_000


def excursion_of(
    run: Run,
    readings: Readings,
    close: NDArray[Any],
    ageing: NDArray[Any],
    per_s: float,
    span: Span,
    max_gap_s: float,
) -> Excursion:
    """Tell of one time above the limit, with what a healthy circuit would have shown meanwhile."""
    start_ms, end_ms = int(readings.time_ms[run.start]), int(readings.time_ms[run.end])
    inside = close[(close["time_ms"] >= start_ms) & (close["time_ms"] <= end_ms)]
    told = inside[np.isfinite(inside["expected_c"]) & np.isfinite(inside["fluid_c"])]
    cost_s, healthy_s = costs(told, ageing, max_gap_s)
    share = healthy_s / cost_s if cost_s > 0.0 else math.nan
    return Excursion(
        start_ms=start_ms,
        end_ms=end_ms,
        peak_ms=int(readings.time_ms[run.peak]),
        peak_c=float(readings.fluid_c[run.peak]),
        above_s=run.above_s,
        cost_s=run.cost_s,
        life=run.cost_s * per_s,
        this_fill=start_ms >= span.fill_ms,
        healthy_peak_c=_largest(told["expected_c"]),
        healthy_cost_s=share * run.cost_s,
        p_fault=_largest(fault(inside)) if len(told) else math.nan,
        air_c=_middle(inside["air_c"]),
        heat_kw=_middle(inside["heat_kw"]),
    )


def _largest(values: NDArray[np.float64]) -> float:
    return float(values.max()) if len(values) else math.nan


def _middle(values: NDArray[np.float64]) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else math.nan


def levels_of(readings: Readings, limits: Limits, span: Span) -> tuple[Level, ...]:
    """Time this fill above each temperature; of a span that crosses it the ageing is shared by time."""
    own = [
        ("highest allowed (this truck's limit)", limits.limit_c),
        ("high", limits.high_c),
        ("critical", limits.critical_c),
    ]
    trade = [(name, (fahrenheit - 32.0) / 1.8) for name, fahrenheit in LEVELS_C]
    fill = readings.time_ms >= span.fill_ms
    total_s = float(readings.cost_s[fill].sum())
    made = []
    for name, celsius in sorted([*own, *trade], key=lambda level: level[1]):
        above = above_s(readings, celsius)[fill]
        spans = np.maximum(readings.span_s[fill], 1e-9)
        aged_s = float((readings.cost_s[fill] * above / spans).sum())
        aged = aged_s / total_s if total_s > 0.0 else 0.0
        made.append(
            Level(name=name, celsius=celsius, hours=float(above.sum()) / 3600.0, aged=aged)
        )
    return tuple(made)


def thinnings_of(
    conn: sqlite3.Connection, held: Held, entries: Sequence[Entry], span: Span
) -> tuple[Thinning, ...]:
    """Give what services left of what had been measured before them, in this fill."""
    mixing = [each for each in entries if each.kind in _MIXES and each.time_ms > span.fill_ms]
    return tuple(
        Thinning(
            time_ms=each.time_ms,
            kind=each.kind,
            stays=stays(
                held, kept(conn, held, each.time_ms, each.time_ms).states[-1:], each.time_ms
            ),
        )
        for each in mixing
    )


def course_of(past: Kept, close: NDArray[Any], readings: Readings) -> Course:
    """Put together what pictures show."""
    hours = readings.time_ms // _HOUR_MS
    starts = np.flatnonzero(np.diff(hours, prepend=-1))
    if len(starts) == 0:
        nothing = np.zeros(0)
        return Course(
            kept=past.notes,
            close=close,
            hour_ms=np.zeros(0, np.int64),
            low_c=nothing,
            mean_c=nothing,
            high_c=nothing,
        )
    counts = np.diff(starts, append=len(hours))
    return Course(
        kept=past.notes,
        close=close,
        hour_ms=hours[starts] * _HOUR_MS,
        low_c=np.minimum.reduceat(readings.fluid_c, starts),
        mean_c=np.add.reduceat(readings.fluid_c, starts) / counts,
        high_c=np.maximum.reduceat(readings.fluid_c, starts),
    )


def basis_of(reader: Reader, was: Stored, params: Any, state: Any) -> Basis:
    """Write down what the figures rest on."""
    account, thermal = state.truck.account, state.truck.thermal
    return Basis(
        model_version=reader.version,
        software_version=_software(),
        fluid=reader.fleet.fluid_of(was.vehicle),
        ageing=np.array([params.account.ageing]),
        max_gap_s=float(params.account.max_gap_s),
        silent_after_s=float(params.silence.silent_after_s),
        false_alarms_per_h=float(params.thermal.false_alarms_per_h),
        scale=math.exp(account.filling.scale_ln),
        lab_samples=int(account.filling.lab_samples),
        carried=float(account.filling.carried),
        measured_s=float(account.heat.equivalent_s + account.heat.equivalent_rest),
        soaked_s=float(account.soak.equivalent_s),
        unseen_s=float(unseen_equivalent_s(params.account, account)),
        time_constant_s=float(time_constant_s(params.account.soak, account.soak)),
        heat_scale=float(thermal.heat_scale),
        cooler_scale=float(thermal.cooler_scale),
        valve_shift_k=float(thermal.valve_shift_k),
    )


def _software() -> str:
    try:
        return version("heatbook")
    except PackageNotFoundError:
        return "not installed"
