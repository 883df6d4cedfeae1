"""Hypothesis: the cooler bypass valve is stuck, and hot fluid never reaches the cooler."""

from __future__ import annotations

from collections.abc import Mapping

from models.cautions import AT_THE_FLUID, ON_A_HOT_DRIVE
from models.circuit_alarm import (
    Params,
    State,
    around,
    circuit_alarm,
    doubts,
    expected,
    is_hot,
    named,
    near_limit,
    seen,
    show,
    shut_least,
)
from models.compiled import compiled
from models.detector import Truck
from models.hypotheses import SHUT
from models.units import Units
from models.words import Words


@compiled
def step(
    params: Params, state: State, truck: Truck, evidence: dict[int, float]
) -> tuple[int, float]:
    """Say how urgent a stuck valve is now."""
    show(params, truck, evidence)
    probability = truck.thermal.p[SHUT] if params.coolant_cooled == 0 else 0.0
    sure = params.sure_near if near_limit(params, truck) else params.sure
    if named(sure, state, truck, probability, shut_least(truck)) == 0:
        return 0, probability
    return (4 if is_hot(params, truck) else 3), probability


def words(evidence: Mapping[str, float], units: Units) -> Words:
    """Say it to a person."""
    return Words(
        title="Cooler bypass valve stuck: hot fluid is not reaching the cooler",
        observed=seen(evidence, units),
        expected=(
            f"{expected(evidence, units)} A healthy valve is fully open at "
            f"{units.degrees(evidence['valve_full_open_c'])}."
        ),
        doubts=doubts(evidence, too_hot=True),
        action=(
            "Take the load off now and stop where it is safe; do not finish the climb. Have "
            "the bypass valve and the cooler lines checked before the next tow, and the "
            "fluid judged by its colour, smell and, better, a laboratory sample."
        ),
        driver=ON_A_HOT_DRIVE,
        technician=AT_THE_FLUID,
        brief="Cooler bypass valve stuck",
        at_once="Take the load off, stop where it is safe, do not finish the climb",
        **around(evidence, units),
    )


BYPASS_STUCK = circuit_alarm("bypass_stuck", step, words)
