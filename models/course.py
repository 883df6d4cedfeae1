"""The course of one truck: its samples with what was done to it, each in its place in time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.kernel import advance
from models.layout import copied, record
from models.service import ENTRY, apply

NO_ENTRIES = np.zeros(0, ENTRY)


@dataclass(frozen=True, slots=True)
class Course:
    """What a truck's state depends on beside its samples.

    ``params``: records ``PARAMS``, shape (epochs,): what holds at first, then from each entry on
    that changes it. ``entries``: records ``ENTRY``, shape (n,), in order of time; each names the
    epoch that holds from it on.
    """

    params: NDArray[Any]
    entries: NDArray[Any]

    def now(self, state: NDArray[Any]) -> Any:
        """Give the parameters (one record ``PARAMS``) that hold at a state."""
        return record(self.params, int(state[0]["course"]["epoch"]))


def run(course: Course, state: NDArray[Any], samples: NDArray[Any]) -> list[NDArray[Any]]:
    """Fold samples of one truck into its state; an entry counts before the first sample not older.

    Parameters
    ----------
    course
        Parameters and entries of the truck.
    state
        Record ``STATE``, shape (1,), changed in place.
    samples
        Records ``models.sample.SAMPLE``, shape (n,), as for ``models.kernel.advance``.

    Returns
    -------
    list of arrays
        Records ``EVENT`` in the order they were found.
    """
    if len(course.entries) == 0:  # by far the most common, and cheaper than to look
        return advance(course.params, state, 0, samples)
    found: list[NDArray[Any]] = []
    position = 0
    while position < len(samples):
        end = len(samples)
        if _pending(course, state):
            next_ms = _next_ms(course, state)
            end = int(np.searchsorted(samples["time_ms"], next_ms))
            if end == position:
                _apply_next(course, state)
                continue
        epoch = int(state[0]["course"]["epoch"])
        params = course.params[epoch : epoch + 1]
        found += advance(params, state, 0, samples[position:end])
        position = end
    return found


def settle(course: Course, state: NDArray[Any], until_ms: int) -> NDArray[Any]:
    """Give a copy of a state with the entries up to ``until_ms`` counted that no sample followed."""
    settled = copied(state)
    while _pending(course, settled) and _next_ms(course, settled) <= until_ms:
        _apply_next(course, settled)
    return settled


def _pending(course: Course, state: NDArray[Any]) -> bool:
    return int(state[0]["course"]["entries"]) < len(course.entries)


def _next_ms(course: Course, state: NDArray[Any]) -> int:
    return int(course.entries["time_ms"][state[0]["course"]["entries"]])


def _apply_next(course: Course, state: NDArray[Any]) -> None:
    place = state[0]["course"]
    entry = record(course.entries, int(place["entries"]))
    before = record(course.params, int(place["epoch"]))
    place["epoch"] = entry.epoch
    apply(record(course.params, int(entry.epoch)), before, record(state), entry)
    place["entries"] += 1
