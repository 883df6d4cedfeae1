"""The one step that live samples and replayed history go through.

The detectors listed in ``models.detectors`` are chained into one compiled function, so that
adding one is its own file and one line there. A truck's state is one record; nothing is shared
between trucks.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.account import AccountParams
from models.charge import charge
from models.compiled import compiled
from models.detector import EVIDENCE_SIZE, Detector, Truck
from models.detectors import DETECTORS
from models.heat_now import refine_heat
from models.kinematics import KinematicsParams, observe
from models.layout import Layout, blank, compose, dtype_of
from models.presence import Presence, settle
from models.sample import SAMPLE
from models.sensor_watch import SensorParams, watch
from models.silence import KIND as SILENCE
from models.silence import SilenceParams, silent_since_ms
from models.thermal import ThermalParams, balance
from models.view import ViewParams, look

KINDS: tuple[str, ...] = (*(detector.kind for detector in DETECTORS), SILENCE)
"""Alarm kinds that the kernel can emit; an event names one by its place here."""

_SILENCE_INDEX = len(DETECTORS)
_MEDIUM = 2
_MOST_EVENTS_PER_SAMPLE = len(DETECTORS) + 2

#: Parameters of one truck.
PARAMS: np.dtype[Any] = np.dtype(
    [
        ("latest", dtype_of(ViewParams)),
        ("kinematics", dtype_of(KinematicsParams)),
        ("account", dtype_of(AccountParams)),
        ("sensor", dtype_of(SensorParams)),
        ("thermal", dtype_of(ThermalParams)),
        ("silence", dtype_of(SilenceParams)),
        *((detector.kind, dtype_of(detector.params)) for detector in DETECTORS),
    ]
)


class Place(Layout):
    """State: how far the truck has come in its service record (``models.course``)."""

    entries: int  # entries that count already
    epoch: int  # row of the parameters that hold


#: State of one truck; all zero before its first sample.
STATE: np.dtype[Any] = np.dtype(
    [
        ("course", dtype_of(Place)),
        ("truck", dtype_of(Truck)),
        *(
            (detector.kind, compose({"own": detector.state, "presence": Presence}))
            for detector in DETECTORS
        ),
    ]
)

#: One transition as the kernel emits it.
EVENT: np.dtype[Any] = np.dtype(
    [
        ("kind", "i8"),
        ("time_ms", "i8"),
        ("onset_ms", "i8"),
        ("active", "i8"),
        ("priority", "i8"),
        ("probability", "f8"),
        ("evidence", "f8", (EVIDENCE_SIZE,)),
    ]
)


@compiled
def _emit(
    events: Any, count: int, time_ms: int, onset_ms: int, priority: int, sure: float
) -> int:
    """Write one event; kind and evidence are already in their place. Priority 0 means back to normal."""
    event = events[count]
    event.time_ms = time_ms
    event.onset_ms = onset_ms
    event.active = 1 if priority > 0 else 0
    event.priority = priority
    event.probability = sure
    return count + 1


def stage_of(index: int, detector: Detector) -> Callable[..., Any]:
    """Compile one detector with its presence; events are appended."""
    kind, step = detector.kind, detector.step
    on_delay_s, off_delay_s = detector.on_delay_s, detector.off_delay_s

    @compiled
    def stage(params: Any, state: Any, events: Any, count: int) -> Any:
        own = state[kind].own
        presence = state[kind].presence
        truck = state.truck
        event = events[count]
        event.kind = index
        event.evidence[:] = 0.0  # what an earlier detector left here is not ours to show
        priority, sure = step(params[kind], own, truck, event.evidence)
        now_ms = truck.latest.time_ms
        before = presence.standing
        onset_ms = presence.onset_ms
        change = settle(
            presence, priority, now_ms, truck.latest.gap_s == 0.0, on_delay_s, off_delay_s
        )
        if change > 0:
            return _emit(events, count, now_ms, presence.onset_ms, change, sure)
        if change < 0:
            count = _emit(events, count, now_ms, onset_ms, 0, sure)
            event.priority = before
        return count

    return stage


def chain(stages: Sequence[Callable[..., Any]]) -> Callable[..., Any]:
    """Compile the stages into one function that runs them in order.

    By halves: each function is compiled with all that it calls.
    """
    if len(stages) == 1:
        return stages[0]
    half = len(stages) // 2
    first, rest = chain(stages[:half]), chain(stages[half:])

    @compiled
    def both(params: Any, state: Any, events: Any, count: int) -> Any:
        return rest(params, state, events, first(params, state, events, count))

    return both


_detect = chain([stage_of(index, detector) for index, detector in enumerate(DETECTORS)])


@compiled
def _note_silence(params: Any, state: Any, events: Any, count: int) -> int:
    """A gap that was a silence is one whole episode: it came and, at this sample, went."""
    truck = state.truck
    onset_ms = silent_since_ms(params.silence, truck)
    if onset_ms == 0:
        return count
    now_ms = truck.latest.time_ms
    for time_ms, priority in ((onset_ms, _MEDIUM), (now_ms, 0)):
        event = events[count]
        event.kind = _SILENCE_INDEX
        event.evidence[:] = 0.0
        event.evidence[0] = truck.latest.gap_s / 60.0
        count = _emit(events, count, time_ms, onset_ms, priority, 1.0)
        event.priority = _MEDIUM
    return count


@compiled
def take_in(params: Any, truck: Any, sample: Any) -> bool:
    """Take in all that the balance of heat rests on; say whether the slip of a closed clutch is known."""
    look(params.latest, truck.latest, sample)
    observe(params.kinematics, truck.kinematics, truck.latest)
    refine_heat(params.kinematics, truck.kinematics, truck.latest)
    charge(params.account, truck.account, truck.latest)
    watch(params.sensor, params.account, truck.sensor, truck.latest, truck.account)
    return not math.isnan(truck.kinematics.slip_now_rpm)


@compiled
def _run_row(
    params_by_row: Any, states: Any, row: int, samples: Any, start: int, events: Any
) -> tuple[int, int]:
    params, state = params_by_row[row], states[row]
    count = 0
    position = start
    while position < len(samples) and count + _MOST_EVENTS_PER_SAMPLE <= len(events):
        truck = state.truck
        slip_told = take_in(params, truck, samples[position])
        balance(
            params.thermal,
            truck.thermal,
            truck.latest,
            truck.sensor.p_fault,
            slip_told,
        )
        count = _note_silence(params, state, events, count)
        count = _detect(params, state, events, count)
        position += 1
    return position, count


def warm_up() -> None:
    """Compile the step, or load what was compiled before, so that the first sample need not wait."""
    advance(blank(PARAMS), blank(STATE), 0, np.zeros(1, SAMPLE))


def advance(
    params: NDArray[Any],
    states: NDArray[Any],
    row: int,
    samples: NDArray[Any],
) -> list[NDArray[Any]]:
    """Fold samples of one truck into its state.

    Parameters
    ----------
    params, states
        Records ``PARAMS`` and ``STATE``, shape (trucks,), one row a truck; ``states[row]`` is
        changed.
    row
        The truck.
    samples
        Records ``models.sample.SAMPLE``, shape (n,), in order of time, all newer than the
        state, no two with one time.

    Returns
    -------
    list of arrays
        Records ``EVENT`` in the order they were found (empty list: nothing changed).
    """
    found: list[NDArray[Any]] = []
    position = 0
    while position < len(samples):
        events = np.zeros(max(64, 2 * _MOST_EVENTS_PER_SAMPLE), EVENT)
        position, count = _run_row(params, states, row, samples, position, events)
        if count:
            found.append(events[:count])
    return found
