"""The first moment a truck left its own healthy behaviour, and did not come back to it.

A departure begins with an alarm of a fault: there the evidence had passed what the rate of false alarms
allows, and all that comes and goes below that is noise. From the alarm it is followed back. What a healthy
circuit would show is the healthy filter's, run on without learning from the last moment at which it was
trusted; the truck has left it from where on the fluid lies further off than twice what that is unsure of.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.expectation import TRUSTED_FROM
from models.hypotheses import COUNT, HEALTHY
from models.thermal import SUSPECT
from review.dossier.facts import Departure, Episode
from review.dossier.walk import Raised

SURE_FROM = 0.9
"""Probability from which a fault is called sure [-]; own choice, as where a cause is no longer called
"perhaps"."""

OVER_BELOW = 0.1
"""Probability of a fault below which a departure is over [-]; own choice."""

HOLE_MS = 4 * 86_400_000
"""Between notes further apart than this nothing is said of the time between [ms]: a long week-end."""

BEYOND_SD = 2.0
"""Deviations of what is expected beyond which the fluid has left it [-]; own choice; one in 20 by chance."""

BY_BALANCE = frozenset(
    {
        "bypass_stuck",
        "overcooled",
        "cooler_starved",
        "coolant_valve_stuck",
        "heat_rejection_low",
    }
)
"""Kinds of alarms that rest on the balance of heat: they are over when that says so."""

FAULTS = BY_BALANCE | {"lockup_slip", "sensor_fault"}
"""Kinds of alarms that tell of something broken; heat and dates alone do not."""


class Cleared(NamedTuple):
    """The end of an alarm as the models find it."""

    kind: str
    onset_ms: int
    time_ms: int


def fault(notes: NDArray[Any]) -> NDArray[np.float64]:
    """Give the probability that something is broken [-], 0 where nothing was weighed."""
    return np.asarray(np.nan_to_num(1.0 - notes["p"][:, HEALTHY]), dtype=np.float64)


def episodes(
    alarms: Sequence[Raised],
    cleared: Sequence[Cleared],
    notes: NDArray[Any],
    worked_on_ms: Sequence[int] = (),
) -> Iterator[Episode]:
    """Put the alarms of faults together that belong to one departure, the first first.

    ``alarms`` and ``cleared`` in order of time; ``notes`` of the truck as it is kept; ``worked_on_ms``: when
    the circuit was worked on, by the record.
    """
    doubt = fault(notes)
    over_ms = -math.inf
    for each in alarms:
        if each.time_ms <= over_ms:
            continue
        ended_ms, worked_on = _cleared(each, cleared), False
        if each.kind in BY_BALANCE:
            back = notes["time_ms"][(notes["time_ms"] > each.time_ms) & (doubt < OVER_BELOW)]
            ended_ms = int(back[0]) if len(back) else None
            work_ms = min((at for at in worked_on_ms if at > each.time_ms), default=None)
            if work_ms is not None and (ended_ms is None or work_ms < ended_ms):
                ended_ms, worked_on = work_ms, True
        yield Episode(
            alarm=each.kind,
            onset_ms=each.onset_ms,
            told_ms=each.time_ms,
            ended_ms=ended_ms,
            worked_on=worked_on,
        )
        over_ms = math.inf if ended_ms is None else ended_ms


def the_one(found: Sequence[Episode], worst_ms: int | None) -> Episode | None:
    """Choose the departure that the review is about.

    The first that was not over by the end; else the one in which the worst heat came (``worst_ms`` [Unix
    ms]); else the first of all.
    """
    for each in found:
        if each.ended_ms is None:
            return each
    if worst_ms is not None:
        for each in found:
            if each.onset_ms <= worst_ms <= (each.ended_ms or worst_ms):
                return each
    return found[0] if found else None


def departure(found: Episode, notes: NDArray[Any], last_ms: int) -> Departure:
    """Follow a departure back to its first moment, and on to its end; ``notes`` of all that was noted."""
    times = notes["time_ms"]
    until_ms = last_ms if found.ended_ms is None else found.ended_ms
    told = min(int(np.searchsorted(times, found.told_ms)), len(notes) - 1)
    trusted = np.flatnonzero(notes["trust"][: told + 1] > TRUSTED_FROM)
    fork = int(trusted[-1]) if len(trusted) else None
    doubt = fault(notes)
    inside = np.flatnonzero((times >= found.told_ms) & (times <= until_ms))
    sure = inside[doubt[inside] >= SURE_FROM]
    last = int(sure[-1]) if len(sure) else told
    balance = found.alarm in BY_BALANCE
    return Departure(
        alarm=found.alarm,
        trusted_ms=int(times[fork]) if balance and fork is not None else None,
        left_ms=min(_left_ms(notes, fork, told), found.onset_ms) if balance else found.onset_ms,
        doubted_ms=int(times[_doubted(times, doubt, told)]) if balance else found.onset_ms,
        told_ms=found.told_ms,
        last_sure_ms=int(times[last]),
        proven_ms=int(notes["proven_ms"][told if fork is None else fork]) or None
        if balance
        else None,
        ended_ms=found.ended_ms,
        worked_on=found.worked_on,
        peak=float(doubt[inside].max()) if len(inside) else 0.0,
        cause=_likeliest(notes["p"][told]) if balance else -1,
        last_cause=_likeliest(notes["p"][last]) if balance else -1,
        at_first=_odds(notes["p"][told]),
        at_last=_odds(notes["p"][last]),
    )


def _cleared(alarm: Raised, cleared: Sequence[Cleared]) -> int | None:
    ends = (
        each.time_ms
        for each in cleared
        if each.kind == alarm.kind
        and each.onset_ms == alarm.onset_ms
        and each.time_ms > alarm.time_ms
    )
    return min(ends, default=None)


def _left_ms(notes: NDArray[Any], fork: int | None, told: int) -> int:
    """Give the first moment from which on, up to the alarm, the fluid lies beyond what is expected."""
    start = 0 if fork is None else fork + 1
    off_k = np.abs(notes["fluid_c"] - notes["expected_c"])[start : told + 1]
    within = np.flatnonzero(~(off_k > BEYOND_SD * notes["expected_sd_k"][start : told + 1]))
    first = start + (int(within[-1]) + 1 if len(within) else 0)
    return int(notes["time_ms"][min(first, told)])


def _doubted(times: NDArray[np.int64], doubt: NDArray[np.float64], told: int) -> int:
    """Give the note since which a fault had been likelier than not, up to the alarm and without a hole."""
    calm = np.flatnonzero(doubt[: told + 1] < SUSPECT)
    holes = np.flatnonzero(np.diff(times[: told + 1]) > HOLE_MS)
    start = max(int(each[-1]) + 1 if len(each) else 0 for each in (calm, holes))
    return min(start, told)


def _likeliest(p: NDArray[np.float64]) -> int:
    """Give the likeliest fault."""
    odds = np.nan_to_num(p).copy()
    odds[HEALTHY] = -1.0
    return int(np.argmax(odds))


def _odds(p: NDArray[np.float64]) -> tuple[float, ...]:
    return tuple(float(p[place]) for place in range(COUNT))
