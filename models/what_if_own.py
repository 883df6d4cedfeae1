"""What a what-if takes from a truck's state: its identified values, and what had failed when."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.circuit import STATES
from models.course import Course, run
from models.duty import Duty, Floats, Times
from models.hypotheses import COUNT, HEALTHY
from models.layout import copied, record
from models.what_if import Own

LOOK_MS = 120_000
"""How often the bank is asked what had failed [ms]. Own choice: it decides in minutes; doubled, a fault
begins and ends in the answer by as much later."""

LIKELY = 0.5
"""Probability from which a fault is taken to have held [-]; own choice."""


def own_of(course: Course, before: Any, now: Any, duty: Duty, samples: NDArray[Any]) -> Own:
    """Give a truck as it is known now, and what had failed in each window of its duty.

    Parameters
    ----------
    course
        Of the truck.
    before
        Records ``STATE``, shape (1,): the truck before the first sample; not changed.
    now
        The same now.
    duty
        What the samples tell it did.
    samples
        Records ``SAMPLE``, shape (n,).
    """
    thermal = record(now).truck.thermal
    hypotheses, numbers = _failed(course, copied(before), samples, duty.end_ms)
    circuit = course.now(now).thermal.bank.circuit
    return Own(
        circuit=np.frombuffer(bytearray(circuit.tobytes()), circuit.dtype),
        values=thermal.bank.x.reshape(COUNT, STATES)[HEALTHY].copy(),
        spread=thermal.bank.cov.reshape(COUNT, STATES, STATES)[HEALTHY].copy(),
        hypotheses=hypotheses,
        numbers=numbers,
    )


def _failed(
    course: Course, state: Any, samples: NDArray[Any], end_ms: Times
) -> tuple[Times, Floats]:
    """Go through the samples with the bank; say for each window which hypothesis held, and its number."""
    times_ms = samples["time_ms"]
    edges = np.flatnonzero(np.diff(times_ms // LOOK_MS)) + 1
    looks_ms, kinds, numbers = [], [HEALTHY], [0.0]
    for part in np.split(samples, edges):
        run(course, state, part)
        thermal = record(state).truck.thermal
        kind = int(np.argmax(thermal.p))
        if thermal.p[kind] < LIKELY:
            kind = HEALTHY
        looks_ms.append(int(part["time_ms"][0]))
        kinds.append(kind)
        numbers.append(float(thermal.number[kind]))
        _date_back(looks_ms, kinds, numbers, int(thermal.suspect_ms))
    which = np.searchsorted(np.array(looks_ms), end_ms, side="left")
    return np.array(kinds)[which], np.array(numbers)[which]


def _date_back(
    looks_ms: list[int], kinds: list[int], numbers: list[float], since_ms: int
) -> None:
    """A fault that holds by the last look has held since it was the likelier: the bank needs minutes."""
    if kinds[-1] == HEALTHY or since_ms == 0:
        return
    place = len(looks_ms) - 1
    while place > 0 and looks_ms[place - 1] >= since_ms and kinds[place] == HEALTHY:
        kinds[place], numbers[place] = kinds[-1], numbers[-1]
        place -= 1
