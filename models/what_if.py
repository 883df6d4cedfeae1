"""What a change would have meant: a truck's own thermal model driven through its own recorded duty.

The model is never held against the measurement. It runs twice, as the truck is and as it would be, and
the difference of the two is added to what was measured:

    T_changed(t) = T_measured(t) + [model_changed(t) - model_as_is(t)]

so that what the model does not know (a driver, a head wind, a sensor's place) cancels as far as it acts
on both alike. Heat that the signals do not tell is found by keeping the model by what was measured, and goes
into both runs: how far a valve opens depends on it.

Every figure has an 80 % band: the same again for draws from what is known of the truck, of the fluid's
activation energy, and of how true such differences have been. The draws are fixed points that fill their
space evenly: the same record gives the same figures to the last bit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any

import numpy as np

from models.circuit import (
    BYPASS,
    COOLANT,
    FULL_FLOW,
    LN_CASE,
    LN_CONVERTER,
    LN_COOLER,
    LN_HEAT,
    LN_RISE,
    SHIFT,
    SINK,
    STATES,
)
from models.cold_running import WORKING_C
from models.duty import Duty, Floats, Times
from models.layout import copied, record
from models.what_if_cost import ABOVE_S, PARKED_S, SEEN_S, UNSEEN_S, cost, difference
from models.what_if_figures import Change, Outcome, WhatIf, outcome
from models.what_if_run import CHANGE, CLEAN, FULL, LOAD, follow, play

DRAWS = 60
"""Draws for a band [-]. Own choice; doubled, an edge of the band moves by a tenth of its width or less, and
the answer takes twice as long."""

TRUE_WITHIN = 0.3
"""How true a difference of two runs is, one standard deviation of the logarithm of its size [-]. Measured on
simulated trucks that share no physics with the model (``tests/contract/test_what_if_truth.py``); doubled, the
bands are about twice as wide."""

LEAST_FACTOR, MOST_FACTOR = 0.25, 4.0
"""Factors on a cooler and on the load that can be asked about [-]; own choice: nobody fits others."""

_LEARNED = (LN_HEAT, LN_CASE, LN_COOLER, SHIFT, SINK, LN_RISE, LN_CONVERTER)
_DIMENSIONS = len(_LEARNED) + 2


class NotOffered(ValueError):
    """A change that this truck cannot have."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Own:
    """What is known of a truck: its circuit, its values and how sure they are, what failed when.

    ``circuit``: records ``models.circuit.CircuitParams``, shape (1,). ``values`` (STATES,) and ``spread``
    (STATES, STATES): mean and covariance by place in the state of ``models.circuit``. ``hypotheses`` and
    ``numbers``, shape (m,): for each window of the duty what held, and the fault's number.
    """

    circuit: Any
    values: Floats
    spread: Floats
    hypotheses: Times
    numbers: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """What a course of temperatures is judged by.

    ``ageing``: records ``models.ageing.AgeingParams``, shape (1,); ``exponent_sd`` [-] of its activation
    energy, as a share; ``life_s`` of the fluid at its reference temperature [s]; ``limit_c`` of this
    truck and other ``edges_c`` [°C]; ``max_gap_s``, up to which a span counts as seen, and ``soak_s``, how
    fast the parked truck cools [s].
    """

    ageing: Any
    exponent_sd: float
    life_s: float
    limit_c: float
    edges_c: tuple[float, ...]
    max_gap_s: float
    soak_s: float


def offered(kind: int) -> tuple[str, ...]:
    """Name the changes that a circuit (``models.circuit.BYPASS`` …) can have: fields of ``Change``."""
    if kind == 0:
        return ()
    return tuple(
        name
        for name in ("cooler", "full_flow", "cleaned", "load")
        if name != "full_flow" or kind == BYPASS
    )


def check(kind: int, change: Change) -> None:
    """Refuse a change that makes no sense for a circuit (``models.circuit.BYPASS`` …).

    Raises
    ------
    NotOffered
        With what is wrong, and what can be asked instead.
    """
    if kind == 0:
        raise NotOffered("nothing is known of how this truck cools its fluid")
    if change.full_flow and kind != BYPASS:
        way = "all of its fluid goes to the cooler as it is"
        if kind >= COOLANT:
            way = "the engine's coolant takes the heat"
        raise NotOffered(
            f"this truck has no bypass valve that a full-flow block could replace: {way}; ask for a "
            "bigger cooler, a cleaned cooler or less load"
        )
    for name, factor in (("the cooler", change.cooler), ("the load", change.load)):
        if not LEAST_FACTOR <= factor <= MOST_FACTOR:
            raise NotOffered(
                f"the factor on {name} is {factor:g}; write one from {LEAST_FACTOR:g} to "
                f"{MOST_FACTOR:g}, for example 1.3 for 30 % more"
            )


def what_if(duty: Duty, own: Own, terms: Terms, changes: Sequence[Change]) -> WhatIf:
    """Say what changes would have meant over a recorded duty.

    Parameters
    ----------
    duty
        What the truck did, and what its fluid read.
    own
        The truck.
    terms
        Its fluid, its limit.
    changes
        Each is answered for itself.

    Raises
    ------
    NotOffered
        This circuit cannot have one of them.
    """
    for change in changes:
        check(int(own.circuit[0]["kind"]), change)
    asked = (Change(), *changes)
    points = [np.zeros(_DIMENSIONS), *even_points(_DIMENSIONS, DRAWS)]
    sums = np.stack([_drawn(duty, own, terms, asked, point) for point in points])
    found: list[Outcome] = []
    for row, change in enumerate(asked):
        found.append(outcome(change, sums[:, row], sums[:, 0], terms.life_s))
    as_was = sums[0, 0]
    return WhatIf(
        outcomes=tuple(found),
        seen_h=float(as_was[SEEN_S]) / 3600.0,
        parked_h=float(as_was[PARKED_S]) / 3600.0,
        unseen_h=float(as_was[UNSEEN_S]) / 3600.0,
        followed_h=duty.followed_s / 3600.0,
    )


def even_points(dimensions: int, count: int) -> list[Floats]:
    """Give points that fill a space evenly, as standard normal numbers, each of shape (dimensions,).

    Half of them by the additive recurrence with the powers of the generalised golden ratio (Roberts 2018,
    from memory), the others opposite to them.
    """
    ratio = 2.0
    for _ in range(64):
        ratio = (1.0 + ratio) ** (1.0 / (dimensions + 1))
    steps = ratio ** -np.arange(1.0, dimensions + 1.0)
    normal = NormalDist()
    half = [
        np.array([normal.inv_cdf(float(share)) for share in (0.5 + number * steps) % 1.0])
        for number in range(1, count // 2 + 1)
    ]
    return [sign * point for point in half for sign in (1.0, -1.0)]


def _drawn(
    duty: Duty, own: Own, terms: Terms, asked: Sequence[Change], point: Floats
) -> Floats:
    """Run all changes in one drawn truck; give what each comes to, shape (changes, sums)."""
    values = own.values + _root(own.spread) @ point[: len(_LEARNED)]
    ageing = record(_steeper(terms.ageing, 1.0 + terms.exponent_sd * point[-2]))
    believed = math.exp(TRUE_WITHIN * point[-1])
    windows = (duty.start_ms, duty.end_ms, duty.means, duty.idle_w, duty.begin_c)
    faults = (own.hypotheses, own.numbers)
    readings = (duty.read_ms, duty.read_c, duty.air_c, duty.running, duty.parked)
    edges_c = np.array([terms.limit_c, *terms.edges_c, WORKING_C])
    spans_s = (terms.max_gap_s, terms.soak_s)
    sums = np.zeros((len(asked), ABOVE_S + len(edges_c) - 1))
    as_is, extra_kw = np.zeros(len(duty.end_ms)), np.zeros(len(duty.end_ms))
    measured_c = np.interp(duty.end_ms, duty.read_ms, duty.read_c)
    follow(record(own.circuit), values, windows, faults, measured_c, extra_kw)
    apart_k = np.zeros(len(duty.read_ms))
    for row, change in enumerate(asked):
        course = as_is if row == 0 else np.zeros(len(as_is))
        circuit = record(_fitted(own.circuit, change))
        play(
            circuit,
            values,
            _numbers(change),
            windows,
            faults,
            extra_kw,
            as_is,
            terms.soak_s,
            course,
        )
        apart = believed * (course - as_is)
        difference(duty.start_ms, duty.end_ms, apart, terms.soak_s, duty.read_ms, apart_k)
        cost(ageing, readings, apart_k, edges_c, spans_s, sums[row])
    return sums


def _root(spread: Floats) -> Floats:
    """Square root of a covariance, shape (STATES, learned)."""
    values, vectors = np.linalg.eigh(spread[np.ix_(_LEARNED, _LEARNED)])
    root = np.zeros((STATES, len(_LEARNED)))
    root[list(_LEARNED)] = vectors * np.sqrt(np.maximum(values, 0.0))
    return root


def _steeper(ageing: Any, exponent: float) -> Any:
    """Give the law with the logarithm of each rate times ``exponent`` [-]."""
    drawn = copied(ageing)
    drawn["activation_energy_j_mol"] *= exponent
    drawn["chart_ln_rate"] *= exponent
    return drawn


def _fitted(circuit: Any, change: Change) -> Any:
    fitted = copied(circuit)
    fitted["core_ln"] = math.log(change.cooler)
    if change.full_flow:
        fitted["kind"] = FULL_FLOW
    return fitted


def _numbers(change: Change) -> Floats:
    numbers = np.zeros(CHANGE)
    numbers[FULL] = float(change.full_flow)
    numbers[CLEAN] = float(change.cleaned)
    numbers[LOAD] = change.load
    return numbers
