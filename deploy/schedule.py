"""The schedule: work that is due when the clock on the wall says so, each time once.

APScheduler's cron trigger says which readings of the wall clock are meant; the rest is ours. Its
scheduler would not do: it reads the system's clock itself, sleeps on after that was set back, and
keeps its jobs in pickle. Here the caller says what time it is, and when a job last ran is written in
the transaction of what it did, so that a crash neither loses a run nor repeats one.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

import structlog
from apscheduler.triggers.cron import CronTrigger

from deploy.clock import monotonic_ms
from deploy.database import Database, store_failed
from review.store import Clock

log = structlog.get_logger()

Work = Callable[[sqlite3.Connection, int], object]
"""What a job does: in the transaction it is given, with the time [Unix ms]; short, for all else waits."""

SET_BACK_MS = 2 * 86_400_000
"""How far the clock may lie behind a job's last run, and the job waits until it is past it again [ms].
A clock set back further was wrong before: the job goes on from now."""

REST_MS = 600_000
"""How long a job rests after it failed by a fault of ours [ms]."""

_SECOND = timedelta(seconds=1)
_LONGEST_STEP = timedelta(hours=26)


def wall_clock(**fields: int | str) -> CronTrigger:
    """Give a trigger by readings of the wall clock: ``wall_clock(hour=6)``, ``day_of_week="mon"``.

    It names readings only; the schedule knows the zone. (In a zone that changes its clocks the
    trigger by itself leaves out a day now and then, and runs twice on another.)
    """
    return CronTrigger(timezone=UTC, **fields)


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """Work with a name, and the readings of the wall clock at which it is due."""

    name: str
    trigger: CronTrigger
    work: Work


class Schedule:
    """Runs what is due; called again and again by the one thread that writes.

    A job runs once for each reading its trigger names, at the first moment at which the clock in
    ``zone`` shows it; a reading that is left out when clocks go forward counts from the hour
    before. Of the runs that were missed, one is made up for. A job is first due after it was first
    heard of.

    Parameters
    ----------
    database
        Where the last runs are kept.
    zone
        The fleet's time zone.
    uptime_ms
        A clock that never jumps, for the rest after a fault.
    """

    def __init__(
        self, database: Database, zone: tzinfo, *, uptime_ms: Clock = monotonic_ms
    ) -> None:
        self._database = database
        self._zone = zone
        self._uptime_ms = uptime_ms
        self._jobs: dict[str, Job] = {}
        self._last_ms: dict[str, int] = {}
        self._next_ms: dict[str, int | None] = {}
        self._resting_until_ms: dict[str, int] = {}

    def add(self, name: str, trigger: CronTrigger, work: Work) -> None:
        """Take up a job; its name is what its last run is known by.

        Raises
        ------
        ValueError
            The name is taken, or the trigger is in a zone of its own.
        """
        if name in self._jobs:
            raise ValueError(f"there is a job {name!r} already")
        if trigger.timezone != UTC:
            raise ValueError(f"the trigger of {name!r} is not by the wall clock: wall_clock()")
        self._jobs[name] = Job(name=name, trigger=trigger, work=work)

    def run_due(self, now_ms: int) -> list[str]:
        """Run what is due at ``now_ms`` [Unix ms]; give the names of the jobs that were run.

        A job that fails by a fault of ours has done nothing; it is tried again after a rest.

        Raises
        ------
        sqlite3.DatabaseError
            The store cannot be written now; what had not run is still due.
        """
        return [job.name for job in self._jobs.values() if self._ran(job, now_ms)]

    def _ran(self, job: Job, now_ms: int) -> bool:
        if self._uptime_ms() < self._resting_until_ms.get(job.name, 0):
            return False
        if not self._due(job, now_ms):
            return False
        try:
            with self._database.write() as tx:
                job.work(tx, now_ms)
                _write(tx, job.name, now_ms)
        except Exception as error:
            if store_failed(error):
                raise
            # A fault of ours; it must not stop the daemon nor another job.
            log.exception("job.failed", job=job.name)
            self._resting_until_ms[job.name] = self._uptime_ms() + REST_MS
            return False
        self._remember(job, now_ms)
        log.info("job.done", job=job.name)
        return True

    def _due(self, job: Job, now_ms: int) -> bool:
        if job.name not in self._last_ms:
            self._remember(job, self._known(job, now_ms))
        last_ms, next_ms = self._last_ms[job.name], self._next_ms[job.name]
        if next_ms is None:
            return False
        if last_ms - now_ms > max(SET_BACK_MS, next_ms - last_ms):
            log.warning("clock.set_back", job=job.name, back_s=(last_ms - now_ms) // 1000)
            with self._database.write() as tx:
                _write(tx, job.name, now_ms)
            self._remember(job, now_ms)
            return False
        return now_ms >= next_ms

    def _known(self, job: Job, now_ms: int) -> int:
        """Give a job's last run [ms]; of a job first heard of, now."""
        with self._database.write() as tx:
            row = tx.execute(
                "SELECT last_ms FROM job_run WHERE job = ?", (job.name,)
            ).fetchone()
            if row is not None:
                return int(row[0])
            _write(tx, job.name, now_ms)
        return now_ms

    def _remember(self, job: Job, last_ms: int) -> None:
        self._last_ms[job.name] = last_ms
        self._next_ms[job.name] = next_after(job.trigger, self._zone, last_ms)


def next_after(trigger: CronTrigger, zone: tzinfo, last_ms: int) -> int | None:
    """Give the first time [Unix ms] after ``last_ms`` that a trigger means in a zone, if any."""
    last = datetime.fromtimestamp(last_ms / 1000, UTC)
    # The readings are taken for UTC: in that zone none is left out, and none comes twice.
    reading = last.astimezone(zone).replace(tzinfo=UTC) - _LONGEST_STEP
    while True:
        found = trigger.get_next_fire_time(None, reading)
        if found is None:
            return None
        # fold 0: of two moments with one reading the first.
        moment: datetime = found.replace(tzinfo=zone, fold=0).astimezone(UTC)
        if moment > last:
            return round(moment.timestamp() * 1000)
        reading = found + _SECOND


def _write(tx: sqlite3.Connection, job: str, last_ms: int) -> None:
    tx.execute("INSERT OR REPLACE INTO job_run (job, last_ms) VALUES (?, ?)", (job, last_ms))
