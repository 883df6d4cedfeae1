"""Reports: asked for by the schedule, made beside the daemon, sent once.

The thread that commits only writes down that a report is due, in the transaction that notes the run. To
make one, the store is read for a while, and a picture may be drawn: that is done in a thread of its own.
What is posted and that it was made are one transaction, so a crash in between makes it again, and
sends it once.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import structlog

from alerts.report import ReportText, post_report
from deploy.clock import monotonic_ms
from deploy.database import Database
from deploy.schedule import REST_MS, Work
from review.joined import joined
from review.store import Clock

log = structlog.get_logger()

EVERY_S = 2.0
"""How often is looked whether a report is asked for [s]."""

KEPT = 100
"""So many rows of what was asked are kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A report that is due: it tells of the span from ``since_ms`` to ``until_ms`` [Unix ms]."""

    name: str
    since_ms: int
    until_ms: int


Post = tuple[str, ReportText]
"""A destination, and what it is sent."""

Make = Callable[[Asked], Sequence[Post]]
"""Makes a report for everybody who reads it; it only reads the store."""

_PENDING = "SELECT name, since_ms, asked_ms FROM report_asked WHERE made_ms IS NULL ORDER BY asked_ms, name"
_LAST = "SELECT asked_ms FROM report_asked WHERE name = ? ORDER BY asked_ms DESC LIMIT 1"
_AGAIN = "UPDATE report_asked SET asked_ms = ? WHERE name = ? AND made_ms IS NULL"
_ASK = "INSERT OR IGNORE INTO report_asked (name, since_ms, asked_ms) VALUES (?, ?, ?)"
_MADE = (
    "UPDATE report_asked SET made_ms = ? WHERE name = ? AND asked_ms = ? AND made_ms IS NULL"
)
_FORGET = """
DELETE FROM report_asked WHERE made_ms IS NOT NULL AND name = ?1 AND asked_ms NOT IN (
    SELECT asked_ms FROM report_asked WHERE name = ?1 ORDER BY asked_ms DESC LIMIT ?2)
"""


def asking(name: str, span_ms: int) -> Work:
    """Give the job that asks for a report; the first tells of the last ``span_ms``.

    One that was not made yet (the store could not be read, we failed on it) is not made twice: it tells
    of the longer span then.
    """

    def ask(tx: sqlite3.Connection, now_ms: int) -> None:
        if tx.execute(_AGAIN, (now_ms, name)).rowcount:
            return
        last = tx.execute(_LAST, (name,)).fetchone()
        since_ms = now_ms - span_ms if last is None else last[0]
        tx.execute(_ASK, (name, since_ms, now_ms))
        tx.execute(_FORGET, (name, KEPT))

    return ask


class Reporter:
    """Makes what is asked for.

    Parameters
    ----------
    database
        The store.
    makers
        What makes each report, by its name.
    now_ms, uptime_ms
        The clock, and one that never jumps.
    """

    def __init__(
        self,
        database: Database,
        makers: Mapping[str, Make],
        *,
        now_ms: Clock,
        uptime_ms: Clock = monotonic_ms,
    ) -> None:
        self._database = database
        self._makers = dict(makers)
        self._now_ms = now_ms
        self._uptime_ms = uptime_ms
        self._resting_until_ms: dict[str, int] = {}
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="reports", daemon=True)

    def start(self) -> None:
        """Begin to look for what is asked."""
        self._thread.start()

    def stop(self, timeout_s: float = 20.0) -> bool:
        """End after the report now being made; false when that took longer than the time."""
        self._stopping.set()
        return joined(self._thread, timeout_s)

    def once(self) -> list[str]:
        """Make what is asked for now; give the names of what was made."""
        with self._database.read() as conn:
            rows = conn.execute(_PENDING).fetchall()
        asked = [
            Asked(name=name, since_ms=since, until_ms=until) for name, since, until in rows
        ]
        return [each.name for each in asked if self._made(each)]

    def _run(self) -> None:
        while not self._stopping.wait(EVERY_S):
            try:
                self.once()
            except Exception as error:  # noqa: BLE001 - told; trucks are watched without reports too
                self._fail("", error)
                self._stopping.wait(REST_MS / 1000)

    def _made(self, asked: Asked) -> bool:
        if self._uptime_ms() < self._resting_until_ms.get(asked.name, 0):
            return False
        make = self._makers.get(asked.name, _nothing)
        try:
            posts = make(asked)
            with self._database.write() as tx:
                now_ms = self._now_ms()
                if not tx.execute(_MADE, (now_ms, asked.name, asked.until_ms)).rowcount:
                    return False  # asked for anew meanwhile, for a longer span
                for destination, text in posts:
                    post_report(tx, text, destination=destination, now_ms=now_ms)
        except Exception as error:  # noqa: BLE001 - told; the other reports must be made
            self._fail(asked.name, error)
            return False
        log.info("report.made", report=asked.name, destinations=len(posts))
        return True

    def _fail(self, name: str, error: Exception) -> None:
        log.error("report.failed", report=name, exc_info=error)
        self._resting_until_ms[name] = self._uptime_ms() + REST_MS


def _nothing(asked: Asked) -> Sequence[Post]:
    """Make nothing of a report that is not made any more."""
    del asked
    return ()
