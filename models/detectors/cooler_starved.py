"""Hypothesis: the cooler is starved, of air by debris or a failed fan, or of fluid by a pinched line."""

from __future__ import annotations

from collections.abc import Mapping

from models.cautions import AT_THE_COOLER, ON_A_HOT_DRIVE
from models.circuit_alarm import (
    CLEARLY,
    Params,
    State,
    around,
    circuit_alarm,
    doubts,
    expected,
    is_hot,
    named,
    seen,
    show,
    sure_of_lack,
)
from models.compiled import compiled
from models.detector import Truck
from models.hypotheses import AIR, FLOW
from models.units import Units
from models.words import Words


@compiled
def step(
    params: Params, state: State, truck: Truck, evidence: dict[int, float]
) -> tuple[int, float]:
    """Say how urgent a starved cooler is now."""
    show(params, truck, evidence)
    probability = truck.thermal.p[AIR] + truck.thermal.p[FLOW]
    if named(sure_of_lack(params, truck), state, truck, probability, CLEARLY) == 0:
        return 0, probability
    return (3 if is_hot(params, truck) else 2), probability


def words(evidence: Mapping[str, float], units: Units) -> Words:
    """Say it to a person."""
    of_air, of_flow = evidence["p_air"], evidence["p_flow"]
    what = "air or fluid"
    if of_air > 3.0 * of_flow:
        what = "air"
    elif of_flow > 3.0 * of_air:
        what = "fluid"
    look = {
        "air": "Have the cooler's face cleaned and its fan checked",
        "fluid": "Have the cooler lines and the core checked for a pinch or a blockage",
        "air or fluid": "Have the cooler's face cleaned, and its fan, lines and core checked",
    }[what]
    return Words(
        title=f"Cooler starved of {what}",
        observed=seen(evidence, units),
        expected=expected(evidence, units),
        doubts=doubts(evidence, too_hot=True),
        action=(
            f"Ease off on climbs, and stop where it is safe if the fluid keeps getting hotter. {look} before "
            "the next heavy tow."
        ),
        driver=ON_A_HOT_DRIVE,
        technician=AT_THE_COOLER,
        brief=f"Cooler starved of {what}",
        at_once="Ease off on climbs, have the cooler cleaned and checked",
        **around(evidence, units),
    )


COOLER_STARVED = circuit_alarm("cooler_starved", step, words, on_delay_s=120.0)
