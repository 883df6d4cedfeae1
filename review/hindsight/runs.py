"""Looks back that are under way or were made: one at a time, in a thread; the last few are kept in memory."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from typing import Literal

import structlog

from review.hindsight.asked import Asked
from review.hindsight.compared import compared
from review.hindsight.found import Compared
from review.problems import Mistake
from review.reading import Reader
from review.store import Readable

log = structlog.get_logger()

KEPT = 8
"""So many are kept; own choice: each holds some hundred alarms."""

Phase = Literal["running", "done", "stopped", "failed"]


class Busy(Mistake):
    """Another look back is under way."""


class _Stopped(Exception):
    """Somebody has stopped it."""


@dataclass(slots=True)
class Run:
    """One look back: who asked for it and when, how far it has come, what came of it."""

    number: int
    asked: Asked
    who: str
    began_ms: int
    phase: Phase = "running"
    truck: str = ""
    share: float = 0.0
    found: Compared | None = None
    why: str = ""
    stopping: threading.Event = field(default_factory=threading.Event)


class Runs:
    """Makes looks back."""

    def __init__(self, store: Readable, reader: Reader) -> None:
        self._store = store
        self._reader = reader
        self._lock = threading.Lock()
        self._runs: dict[int, Run] = {}
        self._made = 0

    def start(self, asked: Asked, who: str) -> Run:
        """Begin one.

        Raises
        ------
        Busy
            Another is under way.
        """
        with self._lock:
            if any(each.phase == "running" for each in self._runs.values()):
                raise Busy("another look back is under way; wait for it, or stop it")
            self._made += 1
            run = Run(number=self._made, asked=asked, who=who, began_ms=self._reader.now_ms())
            self._runs[run.number] = run
            while len(self._runs) > KEPT:
                del self._runs[next(iter(self._runs))]
        threading.Thread(target=self._make, args=(run,), name="hindsight", daemon=True).start()
        return run

    def get(self, number: int) -> Run | None:
        """Give one that is kept."""
        return self._runs.get(number)

    def all(self) -> tuple[Run, ...]:
        """Give those that are kept, the newest first."""
        with self._lock:
            return tuple(reversed(self._runs.values()))

    def _make(self, run: Run) -> None:
        def on(truck: str, share: float) -> None:
            if run.stopping.is_set():
                raise _Stopped
            run.truck, run.share = truck, share

        try:
            run.found = compared(self._store, self._reader, run.asked, progress=on)
            run.share = 1.0
            run.phase = "done"
        except _Stopped:
            run.phase = "stopped"
        except Mistake as mistake:
            run.why, run.phase = str(mistake), "failed"
        except Exception:
            log.exception("hindsight.failed")
            run.why = "that was our fault; the daemon's log says more"
            run.phase = "failed"
