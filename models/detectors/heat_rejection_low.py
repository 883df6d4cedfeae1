"""Hypothesis: the cooling circuit carries off too little or too much heat, and the balance cannot say why.

The healthy explanation is as good as excluded, but no single fault is clearly likelier than the others. What
is sure is said, with the causes that remain and what would tell them apart.
"""

from __future__ import annotations

from collections.abc import Mapping

from models.cautions import AT_THE_COOLER, ON_A_HOT_DRIVE
from models.circuit_alarm import (
    CLEARLY,
    DOUBTED,
    LIKELIEST,
    Params,
    State,
    any_fault,
    around,
    circuit_alarm,
    doubts,
    expected,
    is_hot,
    seen,
    show,
    shut_least,
    sure_of_lack,
)
from models.circuit_words import valved
from models.compiled import compiled
from models.detector import Truck
from models.hypotheses import AIR, FLOW, OPEN, SHUT
from models.units import Units
from models.words import Words

WAITS_MS = 300_000
"""How long a fault that is sure may stay without a name before it is told without one [ms]; own choice."""


@compiled
def step(
    params: Params, state: State, truck: Truck, evidence: dict[int, float]
) -> tuple[int, float]:
    """Say how urgent the lack of cooling is now."""
    show(params, truck, evidence)
    p = truck.thermal.p
    fault = any_fault(truck)
    starved = p[AIR] + p[FLOW]
    stuck = p[OPEN] + p[SHUT] if params.coolant_cooled == 1 else max(p[OPEN], p[SHUT])
    shut = p[SHUT] >= shut_least(truck) * fault
    named = shut or stuck >= LIKELIEST * fault or starved >= CLEARLY * fault
    unnamed = fault >= sure_of_lack(params, truck) and not named
    now_ms = truck.latest.time_ms
    if not unnamed:
        state.unnamed_ms = 0
    elif state.unnamed_ms == 0:
        state.unnamed_ms = now_ms
    if unnamed and now_ms - state.unnamed_ms >= WAITS_MS:
        state.upheld = 1
    elif fault < DOUBTED or max(starved, stuck) >= 0.9 * fault:
        state.upheld = 0
    if state.upheld == 0:
        return 0, fault
    return (3 if is_hot(params, truck) else 2), fault


def words(evidence: Mapping[str, float], units: Units) -> Words:
    """Say it to a person."""
    parts = "lines and valve" if valved(evidence) else "lines"
    return Words(
        title="Cooling circuit sheds too little heat, cause not clear",
        observed=seen(evidence, units),
        expected=expected(evidence, units),
        doubts=doubts(evidence, too_hot=True),
        action=(
            "Ease off now, and stop where it is safe if the fluid keeps getting hotter. Have the cooler's "
            f"face cleaned and its {parts} checked before the next heavy tow."
        ),
        driver=ON_A_HOT_DRIVE,
        technician=AT_THE_COOLER,
        brief="Too little cooling, cause not clear",
        at_once=f"Ease off now, have the cooler, its {parts} checked",
        **around(evidence, units),
    )


HEAT_REJECTION_LOW = circuit_alarm("heat_rejection_low", step, words)
