"""The first moment a truck left its own healthy behaviour, and stayed away from it.

What a healthy circuit would show is the healthy filter's, run on without learning from the last moment at
which it was trusted. The truck has left when its fluid lies further from that than twice what it is unsure
of, up to the moment from which a fault is likelier than health. It counts only where the doubt grew to
nine in ten: what comes and goes below that is noise.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.expectation import TRUSTED_FROM
from models.hypotheses import HEALTHY
from models.thermal import SUSPECT
from review.dossier.facts import Departure
from review.dossier.walk import Raised

SURE_FROM = 0.9
"""Probability of a fault from which a departure counts [-]; own choice, as where a cause is no longer called
"perhaps"."""

OVER_BELOW = 0.1
"""Probability of a fault below which a doubt is over [-]; own choice."""

BEYOND_SD = 2.0
"""Deviations of what is expected beyond which the fluid has left it [-]; own choice; one in 20 by chance."""

FAULTS = frozenset(
    {
        "bypass_stuck",
        "overcooled",
        "cooler_starved",
        "coolant_valve_stuck",
        "heat_rejection_low",
        "lockup_slip",
        "sensor_fault",
    }
)
"""Kinds of alarms that tell of something broken; heat and dates alone do not."""


def fault(notes: NDArray[Any]) -> NDArray[np.float64]:
    """Give the probability that something is broken [-], 0 where nothing was weighed."""
    return np.asarray(np.nan_to_num(1.0 - notes["p"][:, HEALTHY]), dtype=np.float64)


def departures(notes: NDArray[Any], raised: list[Raised]) -> Iterator[Departure]:
    """Find the departures in notes of one stretch, the first first; ``raised`` by the models meanwhile."""
    doubt = fault(notes)
    start = 0
    while True:
        beyond = np.flatnonzero(doubt[start:] >= SUSPECT)
        if len(beyond) == 0:
            return
        begin = start + int(beyond[0])
        over = np.flatnonzero(doubt[begin:] < OVER_BELOW)
        end = begin + int(over[0]) if len(over) else len(notes)
        if doubt[begin:end].max() >= SURE_FROM:
            yield _departure(notes, doubt, begin, end, raised)
        start = end


def by_alarm(alarm: Raised) -> Departure:
    """Give the departure that an alarm alone tells of: one that does not rest on the balance of heat."""
    unknown = (math.nan,) * 8
    return Departure(
        trusted_ms=None,
        left_ms=alarm.onset_ms,
        doubted_ms=alarm.time_ms,
        sure_ms=alarm.time_ms,
        last_sure_ms=alarm.time_ms,
        proven_ms=None,
        ended_ms=None,
        peak=alarm.probability,
        cause=-1,
        last_cause=-1,
        at_first=unknown,
        at_last=unknown,
        by_alarm=alarm.kind,
    )


def _departure(
    notes: NDArray[Any], doubt: NDArray[np.float64], begin: int, end: int, raised: list[Raised]
) -> Departure:
    times, p = notes["time_ms"], notes["p"]
    sure = begin + np.flatnonzero(doubt[begin:end] >= SURE_FROM)
    trusted = np.flatnonzero(notes["trust"][:begin] > TRUSTED_FROM)
    fork = int(trusted[-1]) if len(trusted) else None
    first, last = int(sure[0]), int(sure[-1])
    named = [
        each.kind
        for each in raised
        if each.kind in FAULTS and times[begin] <= each.time_ms <= times[end - 1]
    ]
    return Departure(
        trusted_ms=None if fork is None else int(times[fork]),
        left_ms=int(times[_left(notes, fork, begin)]),
        doubted_ms=int(times[begin]),
        sure_ms=int(times[first]),
        last_sure_ms=int(times[last]),
        proven_ms=_proven(notes, begin if fork is None else fork),
        ended_ms=int(times[end]) if end < len(notes) else None,
        peak=float(doubt[begin:end].max()),
        cause=_likeliest(p[first]),
        last_cause=_likeliest(p[last]),
        at_first=tuple(map(float, p[first])),
        at_last=tuple(map(float, p[last])),
        by_alarm=named[0] if named else "",
    )


def _left(notes: NDArray[Any], fork: int | None, begin: int) -> int:
    """Give the first note from which on the fluid lies beyond what is expected, up to the doubt."""
    if fork is None:
        return begin
    off_k = np.abs(notes["fluid_c"] - notes["expected_c"])[fork + 1 : begin + 1]
    beyond = off_k > BEYOND_SD * notes["expected_sd_k"][fork + 1 : begin + 1]
    within = np.flatnonzero(~beyond)
    first = fork + 1 + (int(within[-1]) + 1 if len(within) else 0)
    return min(first, begin)


def _proven(notes: NDArray[Any], row: int) -> int | None:
    return int(notes["proven_ms"][row]) or None


def _likeliest(p: NDArray[np.float64]) -> int:
    """Give the likeliest fault."""
    odds = p.copy()
    odds[HEALTHY] = -1.0
    return int(np.argmax(odds))
