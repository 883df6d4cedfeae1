"""A truck run through a span of its past once more: with what holds now, and with what would be different."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

import numpy as np
from numpy.typing import NDArray

from alerts.episode import Episode, together
from ingest import journal
from models.course import Course, run
from models.layout import copied
from models.transition import Transition
from review.events import transitions
from review.past import state_at
from review.reading import Stored
from review.store import Readable

WINDOW_MS = 7 * 86_400_000
"""Samples of so long are read at once [ms]."""

PIECE = 500
"""So many samples are run in one go: others who need the interpreter wait for some ten milliseconds."""

Progress = Callable[[int, int], None]
"""Told how much of a span is done, and how much there is [ms]. It raises to stop the work."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Replayed:
    """What two runs of one truck found, and the readings of the fluid [°C] that they went by [Unix ms]."""

    as_is: tuple[Episode, ...]
    other: tuple[Episode, ...]
    time_ms: NDArray[np.int64]
    fluid_c: NDArray[np.float64]

    def hottest_c(self, first_ms: int, last_ms: int) -> float | None:
        """Give the hottest reading of a stretch [°C]; None: there is none."""
        low, high = np.searchsorted(self.time_ms, (first_ms, last_ms + 1))
        read = self.fluid_c[low:high]
        read = read[~np.isnan(read)]
        return float(read.max()) if len(read) else None


@dataclass(slots=True)
class _Run:
    course: Course
    state: NDArray[Any]
    found: list[Transition]

    def on(self, vehicle: str, samples: NDArray[Any]) -> None:
        for start in range(0, len(samples), PIECE):
            piece = samples[start : start + PIECE]
            self.found += transitions(vehicle, run(self.course, self.state, piece))


def replayed(
    store: Readable,
    stored: Stored,
    other: Course,
    *,
    since_ms: int,
    until_ms: int,
    progress: Progress,
) -> Replayed:
    """Run a truck twice from the state that it had; ``until_ms`` is left out [Unix ms].

    Both runs begin with what the truck had learned by then. What stands at the beginning stands in both.

    Raises
    ------
    ingest.archive.ArchiveError
        A month of it cannot be read.
    """
    held = stored.held
    if held is None:
        raise ValueError(f"{stored.name} has no account that holds")
    with store.read() as conn:
        begun = state_at(conn, held, since_ms)
    runs = (
        _Run(held.course, begun, []),
        _Run(other, copied(begun), []),
    )
    times: list[NDArray[np.int64]] = [np.zeros(0, np.int64)]
    fluid: list[NDArray[np.float64]] = [np.zeros(0)]
    for samples in _windows(store, held.vehicle_id, since_ms, until_ms, progress):
        for each in runs:
            each.on(stored.name, samples)
        times.append(samples["time_ms"].copy())
        fluid.append(samples["fluid_temp_c"].copy())
    return Replayed(
        as_is=_episodes(runs[0].found),
        other=_episodes(runs[1].found),
        time_ms=np.concatenate(times),
        fluid_c=np.concatenate(fluid),
    )


def _windows(
    store: Readable, vehicle_id: int, since_ms: int, until_ms: int, progress: Progress
) -> Iterator[NDArray[Any]]:
    """Read window by window, so that nobody who reads holds the store up long."""
    for first_ms in range(since_ms, until_ms, WINDOW_MS):
        last_ms = min(first_ms + WINDOW_MS, until_ms) - 1
        with store.read() as conn:
            samples = _read(conn, vehicle_id, first_ms, last_ms)
        if len(samples):
            yield samples
        progress(last_ms + 1 - since_ms, until_ms - since_ms)


def _read(
    conn: sqlite3.Connection, vehicle_id: int, first_ms: int, last_ms: int
) -> NDArray[Any]:
    return journal.read(conn, vehicle_id=vehicle_id, first_ms=first_ms, last_ms=last_ms)


def _episodes(found: Sequence[Transition]) -> tuple[Episode, ...]:
    """Put episodes together; one that stood at the beginning may be there, with its onset before it."""
    ordered = sorted(found, key=lambda each: (each.kind, each.onset_ms))
    made = (
        together(sorted(each, key=lambda one: (one.time_ms, not one.active, one.priority)))
        for _, each in groupby(ordered, key=lambda one: (one.kind, one.onset_ms))
    )
    return tuple(
        sorted((each for each in made if each), key=lambda each: (each.raised_ms, each.kind))
    )
