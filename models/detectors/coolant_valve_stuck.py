"""Hypothesis: the valve that lets engine coolant through the fluid's exchanger is stuck, shut or open."""

from __future__ import annotations

from collections.abc import Mapping

from models.cautions import BY_THE_MANUAL, HOT_COOLANT, HOT_FLUID, ON_A_HOT_DRIVE, SHOP_ONLY
from models.circuit_alarm import (
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
    shut_least,
)
from models.compiled import compiled
from models.detector import Truck
from models.hypotheses import OPEN, SHUT
from models.units import Units
from models.words import Words


@compiled
def step(
    params: Params, state: State, truck: Truck, evidence: dict[int, float]
) -> tuple[int, float]:
    """Say how urgent a stuck valve is now."""
    show(params, truck, evidence)
    shut, wide = truck.thermal.p[SHUT], truck.thermal.p[OPEN]
    probability = shut + wide if params.coolant_cooled == 1 else 0.0
    if state.upheld == 0 and shut > wide and _is_warmed(truck):
        return 0, probability
    if named(params.sure, state, truck, probability, shut_least(truck)) == 0:
        return 0, probability
    if wide > shut:
        return 1, probability
    return (4 if is_hot(params, truck) else 3), probability


@compiled
def _is_warmed(truck: Truck) -> bool:
    """Say whether the coolant would warm the fluid.

    Then a valve that is shut does no harm, and one that opens some kelvin later than thought looks like it.
    """
    return bool(truck.latest.fluid_last_c < truck.latest.coolant_c)


def words(evidence: Mapping[str, float], units: Units) -> Words:
    """Say it to a person."""
    shut = evidence["p_shut"] >= evidence["p_open"]
    return Words(
        title=(
            "Coolant valve of the fluid's exchanger stuck shut: the fluid is not cooled"
            if shut
            else "Coolant valve of the fluid's exchanger stuck open"
        ),
        observed=seen(evidence, units),
        expected=expected(evidence, units),
        doubts=doubts(evidence, too_hot=shut),
        action=(
            "Take the load off now and stop where it is safe; do not finish the climb. Have the coolant "
            "valve and its control checked before the next tow."
            if shut
            else "Plan a visit: the fluid follows the coolant, thick on a cold start. Have the valve and its "
            "control checked."
        ),
        driver=ON_A_HOT_DRIVE,
        technician=(HOT_FLUID, HOT_COOLANT, SHOP_ONLY, BY_THE_MANUAL),
        brief="Coolant valve of the fluid cooler stuck " + ("shut" if shut else "open"),
        at_once="Take the load off, stop where it is safe, do not finish the climb"
        if shut
        else "Plan a shop visit",
        **around(evidence, units),
    )


COOLANT_VALVE_STUCK = circuit_alarm("coolant_valve_stuck", step, words)
