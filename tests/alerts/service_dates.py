"""Service alarms and outlooks by the day, for the tests of their dates."""

from __future__ import annotations

import sqlite3
from dataclasses import replace

from alerts.date_words import DUE_BY, DUE_MS
from alerts.service_date import SERVICE_DUE, Outlook
from models.due import HEAT
from models.transition import Priority, Transition
from tests.alerts.store import MINUTE, NOON, memory, transition, write

DAY = 24 * 60 * MINUTE
"""Days are counted from NOON."""


def numbers(due_day: float, *, by: int = HEAT, **more: float) -> dict[str, float]:
    return {
        "share_by_heat": 0.85,
        "share_by_distance": 0.5,
        "share_by_age": 0.4,
        "distance_km": 20_000.0,
        "distance_limit_km": 50_000.0,
        "age_days": 300.0,
        "unseen_km": 1_200.0,
        DUE_BY: float(by),
        DUE_MS: NOON + due_day * DAY,
        "due_early_ms": NOON + (due_day - 9) * DAY,
        "due_late_ms": NOON + (due_day + 12) * DAY,
        **more,
    }


def outlook(
    due_day: float,
    *,
    priority: int = Priority.LOW,
    data_day: float = 1e6,
    by: int = HEAT,
    **more: float,
) -> Outlook:
    """Give an outlook; ``data_day`` is the day of the newest sample, by default none is missing."""
    return Outlook(
        priority=priority,
        probability=1.0,
        evidence=numbers(due_day, by=by, **more),
        newest_ms=NOON + round(data_day * DAY),
    )


def due(
    day: float,
    due_day: float,
    priority: Priority = Priority.LOW,
    *,
    onset_day: float = 0,
    by: int = HEAT,
) -> Transition:
    """Say what the samples say when a level is reached."""
    time_ms, onset_ms = (NOON + round(each * DAY) for each in (day, onset_day))
    reached = transition(time_ms, onset_ms, kind=SERVICE_DUE, priority=priority)
    return replace(reached, evidence=numbers(due_day, by=by))


def raised(due_day: float = 60, **how: object) -> sqlite3.Connection:
    conn = memory()
    write(conn, [due(0, due_day)], now_ms=NOON, **how)  # type: ignore[arg-type] # passed on
    return conn
