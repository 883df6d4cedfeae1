"""The picture in a notice: that truck's temperature over the hours before, as its journal holds it.

Where there is nothing to draw, or drawing fails, the notice goes without.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any

import numpy as np
import structlog
from numpy.typing import NDArray

from alerts.alarm import Matter
from alerts.ledger import Alarm
from alerts.notice import Picture
from alerts.outbox import Entry
from alerts.own.facts import OURSELVES
from alerts.watch import EVERYBODY
from deploy.database import Database
from ingest import held as holding
from ingest import journal
from ingest import record as service_record
from ingest.held import Held
from models.units import Units
from review.expected import expected
from review.pictures.temperature import Course, Healthy, describe, draw, shown
from review.trucks import CourseOf

log = structlog.get_logger()

BEFORE_MS = 3 * 3_600_000
"""So much before the moment that is told of is shown, and more where the condition is older [ms]."""

LEAD_MS = 45 * 60_000
"""So much before the condition began is shown [ms]."""

LONGEST_MS = 12 * 3_600_000
"""More is not shown: hours would become a smear on a phone [ms]."""

WITHOUT = frozenset({"service_due", "gateway_silent"})
"""Kinds of which a temperature says nothing."""

_SHOWN = frozenset(Matter) - {Matter.WITHDRAWN, Matter.MOVED, Matter.QUIET}


@dataclass(frozen=True, slots=True, kw_only=True)
class Charts:
    """Draws from the store; from any thread."""

    database: Database
    courses: CourseOf
    model_version: str

    def draw(self, entry: Entry, alarm: Alarm, units: Units, zone: tzinfo) -> Picture | None:
        """Draw the temperature of an alarm's truck, None where there is nothing to draw."""
        if (
            alarm.vehicle in (EVERYBODY, OURSELVES)
            or alarm.kind in WITHOUT
            or entry.matter not in _SHOWN
        ):
            return None
        try:
            with self.database.read() as conn:
                course = self._course(conn, alarm, entry.time_ms)
            if course is None:
                return None
            picture = draw(course, units, zone)
            return Picture(name="chart", png=picture, alt=describe(course, units, zone))
        except Exception as error:
            log.error("picture.failed", alarm_id=alarm.id, exc_info=error)
            return None

    def _course(self, conn: sqlite3.Connection, alarm: Alarm, end_ms: int) -> Course | None:
        entries = service_record.effective(conn, alarm.vehicle, taken_only=True)
        course = self.courses(alarm.vehicle, tuple(entries))
        held = holding.load(conn, alarm.vehicle, course, self.model_version)
        if held is None:
            return None
        first_ms = max(min(end_ms - BEFORE_MS, alarm.onset_ms - LEAD_MS), end_ms - LONGEST_MS)
        samples = journal.read(
            conn, vehicle_id=held.vehicle_id, first_ms=first_ms, last_ms=end_ms
        )
        seen = samples[np.isfinite(samples["fluid_temp_c"])]
        if len(seen) < 2:
            return None
        limits, healthy = _expected(conn, held, samples)
        fluid_c = np.asarray(seen["fluid_temp_c"], dtype=np.float64)
        return Course(
            truck=alarm.vehicle,
            time_ms=np.asarray(seen["time_ms"], dtype=np.int64),
            fluid_c=fluid_c,
            healthy=healthy,
            limits=shown(limits, float(fluid_c.max())),
            onset_ms=alarm.onset_ms,
        )


def _expected(
    conn: sqlite3.Connection, held: Held, samples: NDArray[Any]
) -> tuple[Sequence[tuple[str, float]], Healthy | None]:
    """Give the limits, and what a healthy truck would have shown."""
    found = expected(conn, held, samples)
    if found is None:  # its state is not up to date; the picture goes without
        return (), None
    known = found.healthy
    if np.count_nonzero(known) < 2:
        return found.limits, None
    return found.limits, Healthy(
        time_ms=found.time_ms[known], celsius=found.celsius[known], sd_k=found.sd_k[known]
    )
