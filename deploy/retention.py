"""Letting go of old ledgers by policy: each night, a few rows at a time, so that commits hardly wait."""

from __future__ import annotations

import sqlite3

from alerts import pruning
from deploy.retention_section import Retention
from deploy.schedule import Work, wall_clock
from ingest import quarantine
from review.access import forgetting

PRUNING = "pruning"
"""The name of the job."""

SLICE_ROWS = 500
"""So many rows of each kind go in one run; all else that writes waits for it."""

EVERY = wall_clock(hour="1-4", minute="*/2")
"""When it runs: 120 times a night."""

_DAY_MS = 86_400_000


def pruning_by(rules: Retention) -> Work:
    """Give the job that lets go of what is older than the settings keep."""

    def work(tx: sqlite3.Connection, now_ms: int) -> None:
        if rules.notices_days is not None:
            pruning.prune(tx, before_ms=_before(rules.notices_days, now_ms), limit=SLICE_ROWS)
        if rules.refused_days is not None:
            quarantine.forget(
                tx, before_ms=_before(rules.refused_days, now_ms), limit=SLICE_ROWS
            )
        if rules.audit_days is not None:
            forgetting.prune(tx, before_ms=_before(rules.audit_days, now_ms), limit=SLICE_ROWS)

    return work


def _before(days: float, now_ms: int) -> int:
    return now_ms - round(days * _DAY_MS)
