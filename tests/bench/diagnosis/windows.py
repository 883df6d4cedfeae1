"""What the bank is given of a truck, window by window, kept so that it can be judged again in milliseconds.

Nearly all of a run goes into driving the trucks. What reaches the bank of that (``models.thermal.gather``)
does not depend on the bank, so that another setting of it needs no other drive.
"""

from __future__ import annotations

import pickle
import zlib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.compiled import compiled
from models.kernel import STATE, take_in
from models.layout import blank, dtype_of, record
from models.thermal import CLOSE, NOTHING, gather, judge, start
from models.thermal_parameters import MARGINS
from models.view import View
from models.window import Window
from simulator.plan import Registration
from tests.bench.diagnosis.judge import course_of
from tests.bench.diagnosis.judge import judge as judge_all
from tests.bench.diagnosis.measure import DETECTORS, Task, drive, truth
from tests.bench.diagnosis.outcome import Outcome

BY_BANK = frozenset(MARGINS)
"""Alarms that rest on the bank; all others stay as they were when the truck was driven."""

GIVEN: np.dtype[Any] = np.dtype(
    [
        ("what", "i8"),
        ("view", dtype_of(View)),
        ("window", dtype_of(Window)),
        ("sensor_off", "f8"),
        ("slip_told", "i8"),
    ]
)
"""One thing for the bank to do, with all that it is given."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Driven:
    """One truck; ``outcome`` has the alarms that do not rest on the bank; ``given`` is ``GIVEN``, (n,)."""

    registration: Registration
    outcome: Outcome
    given: NDArray[Any]


def _ends(dtype: np.dtype[Any], *path: str) -> tuple[int, int]:
    """Give where a field of a record lies in its bytes."""
    at = 0
    for name in path:
        fields = dtype.fields
        assert fields is not None
        dtype, offset = fields[name][:2]
        at += offset
    return at, at + dtype.itemsize


VIEW_AT, VIEW_END = _ends(STATE, "truck", "latest")
WINDOW_AT, WINDOW_END = _ends(STATE, "truck", "thermal", "window")
VIEW_TO, VIEW_TO_END = _ends(GIVEN, "view")
WINDOW_TO, WINDOW_TO_END = _ends(GIVEN, "window")


def raw(records: NDArray[Any]) -> NDArray[np.uint8]:
    """Give the bytes of records, shape (n, bytes of one): compiled code copies records so."""
    return records.view(np.uint8).reshape(len(records), records.dtype.itemsize)


@compiled
def hand_over(params: Any, truck: Any, state_raw: Any, given_raw: Any, place: int) -> None:
    """Put view and window in the state as the bank was given them; the first time, begin."""
    state_raw[0, VIEW_AT:VIEW_END] = given_raw[place, VIEW_TO:VIEW_TO_END]
    if truck.thermal.started == 0:
        start(params.thermal, truck.thermal, truck.latest.fluid_c)
    state_raw[0, WINDOW_AT:WINDOW_END] = given_raw[place, WINDOW_TO:WINDOW_TO_END]


@compiled
def _note(
    params: Any, state: Any, state_raw: Any, samples: Any, given: Any, given_raw: Any
) -> int:
    """Run the samples and note what the bank is given; say how much."""
    count = 0
    truck = state.truck
    for position in range(len(samples)):
        slip_told = take_in(params, truck, samples[position])
        off = truck.sensor.p_fault
        what = gather(params.thermal, truck.thermal, truck.latest, slip_told)
        if what == NOTHING:
            continue
        given[count].what = what
        given[count].sensor_off = off
        given[count].slip_told = 1 if slip_told else 0
        given_raw[count, VIEW_TO:VIEW_TO_END] = state_raw[0, VIEW_AT:VIEW_END]
        given_raw[count, WINDOW_TO:WINDOW_TO_END] = state_raw[0, WINDOW_AT:WINDOW_END]
        judge(params.thermal, truck.thermal, truck.latest, off, slip_told, what)
        if what == CLOSE or truck.thermal.stale == 0:  # else there was nothing to set out from
            count += 1
    return count


def note(samples: NDArray[Any], told: Registration) -> NDArray[Any]:
    """Give what the bank is given of samples ``SAMPLE``, shape (n,): records ``GIVEN``, shape (m,)."""
    state, given = blank(STATE), blank(GIVEN, len(samples))
    params = record(course_of(told).params)
    count = _note(
        params, record(state), raw(state), samples, given.view(np.recarray), raw(given)
    )
    return given[:count].copy()


def driven(task: Task) -> Driven:
    """Drive one truck and note what its bank is given."""
    drawn, recording = drive(task)
    alarms, _ = judge_all(recording.samples, drawn.plan.registration)
    kept = tuple(one for one in alarms if one.kind not in BY_BANK)
    return Driven(
        registration=drawn.plan.registration,
        outcome=replace(truth(drawn, recording), alarms={DETECTORS: kept}),
        given=note(recording.samples, drawn.plan.registration),
    )


def keep(folder: Path, task: Task) -> Path:
    """Drive a truck unless that has been done, and keep what its bank is given."""
    path = (
        folder
        / f"{task.seed}-{task.number}-{round(100 * task.healthy_share)}-{task.known_days}"
    )
    if not path.exists():
        part = path.with_suffix(".part")
        part.write_bytes(zlib.compress(pickle.dumps(driven(task)), 1))
        part.replace(path)
    return path


def kept(path: Path) -> Driven:
    """Give what was kept of a truck."""
    one: Driven = pickle.loads(zlib.decompress(path.read_bytes()))  # noqa: S301 -- our own
    return one
