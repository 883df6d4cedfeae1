"""Hypothesis: the bypass valve is stuck to the cooler, so that the fluid never gets warm under load."""

from __future__ import annotations

from collections.abc import Mapping

from models.cautions import AT_THE_FLUID, STOP_SAFELY, WARM_UP
from models.circuit_alarm import (
    LIKELIEST,
    Params,
    State,
    around,
    circuit_alarm,
    doubts,
    expected,
    named,
    seen,
    show,
)
from models.compiled import compiled
from models.detector import Truck
from models.hypotheses import OPEN
from models.units import Units
from models.words import Words

COLD_MAY_BE_SOUND = (
    "A truck that is light or idles in the cold may never warm up and be sound: this was judged against the "
    "heat made, not against the clock."
)


@compiled
def step(
    params: Params, state: State, truck: Truck, evidence: dict[int, float]
) -> tuple[int, float]:
    """Say how urgent it is now: never at the roadside."""
    show(params, truck, evidence)
    probability = truck.thermal.p[OPEN] if params.coolant_cooled == 0 else 0.0
    return named(params.sure, state, truck, probability, LIKELIEST), probability


def words(evidence: Mapping[str, float], units: Units) -> Words:
    """Say it to a person."""
    return Words(
        title="Fluid over-cooled: the bypass valve seems stuck to the cooler",
        observed=seen(evidence, units),
        expected=expected(evidence, units),
        doubts=f"{COLD_MAY_BE_SOUND} {doubts(evidence, too_hot=False)}",
        action=(
            "No need to stop. Plan a visit: thick, cold fluid costs fuel, shifts badly and holds water. Have "
            "the bypass valve checked; until then warm up gently."
        ),
        driver=(WARM_UP, STOP_SAFELY),
        technician=AT_THE_FLUID,
        brief="Fluid over-cooled, bypass valve stuck to the cooler",
        at_once="No need to stop, plan a shop visit",
        **around(evidence, units),
    )


OVERCOOLED = circuit_alarm("overcooled", step, words)
