"""The daily look at service dates: the outlook of every truck that is held, laid beside what was told."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Callable, Mapping

import numpy as np
import structlog

from alerts import service_date
from alerts.date_words import DUE_BY, DUE_MS, EARLY_MS, LATE_MS
from alerts.policy import Policy
from alerts.service_date import NOTHING, DateRules, Outlook
from deploy.schedule import Work
from ingest.held import NEVER_MS, Held
from models.course import settle
from models.detector import EVIDENCE_SIZE
from models.detectors.service_due import SERVICE_DUE
from models.due import REASONS, due_of
from models.layout import record

log = structlog.get_logger()

OutlookOf = Callable[[Held, int], Outlook]
"""Gives the outlook of a truck at a time [Unix ms]."""


def outlook(truck: Held, now_ms: int) -> Outlook:
    """Say what the service alarm of a truck would be if a sample came now [Unix ms] that changed nothing."""
    now_ms = max(now_ms, truck.last_ms)
    state = settle(truck.course, truck.state, now_ms)
    params, own = truck.course.now(state), record(state)
    dates = due_of(params, own, now_ms)
    own.truck.latest.time_ms = now_ms
    numbers = np.zeros(EVIDENCE_SIZE)
    # The state is a copy: the truck's own is for its samples alone to change.
    priority, sure = SERVICE_DUE.step(
        params.service_due, own.service_due.own, own.truck, numbers
    )
    evidence = dict(zip(SERVICE_DUE.evidence, map(float, numbers), strict=False))
    times = (dates.median_ms, dates.early_ms, dates.late_ms)
    names = (DUE_MS, EARLY_MS, LATE_MS)
    evidence |= {
        name: math.nan if time_ms is None else float(time_ms)
        for name, time_ms in zip(names, times, strict=True)
    }
    evidence[DUE_BY] = float(REASONS.index(dates.reason))
    return Outlook(
        priority=int(priority),
        probability=float(sure),
        evidence=evidence,
        newest_ms=truck.last_ms,
    )


def reviewing(
    trucks: Callable[[], Mapping[str, Held]],
    *,
    rules: DateRules,
    policy: Policy,
    look: OutlookOf = outlook,
) -> Work:
    """Give the job; ``trucks`` gives the trucks as of the last commit."""

    def review(tx: sqlite3.Connection, now_ms: int) -> None:
        outlooks = {
            name: look(truck, now_ms)
            for name, truck in trucks().items()
            if truck.last_ms != NEVER_MS
        }
        done = service_date.review(tx, outlooks, now_ms=now_ms, rules=rules, policy=policy)
        if done != NOTHING:
            log.info(
                "service.reviewed",
                raised=len(done.raised),
                cleared=len(done.cleared),
                moved=len(done.moved),
                quiet=len(done.quiet),
            )

    return review
