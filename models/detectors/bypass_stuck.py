"""Hypothesis: the cooler bypass valve is stuck, and hot fluid never reaches the cooler.

Decided on the odds that ``models.thermal`` keeps: the cooler cut off, against healthy and
against a cooler that passes too little heat.
"""

from __future__ import annotations

from collections.abc import Mapping

from models.compiled import compiled
from models.detector import Detector, Truck
from models.layout import Layout
from models.units import Units
from models.verdict import DOUBTED, LIKELIEST, SURE
from models.words import HOT_FLUID, SHOP_ONLY, STOP_SAFELY, USED_OIL, Words


class Params(Layout):
    """Setting of this truck's valve, and when being cut off is dangerous [°C]."""

    full_c: float
    critical_c: float
    assumed: int  # 1: nobody has said that the truck has such a valve


class State(Layout):
    """State: whether the alarm is upheld."""

    upheld: int


@compiled
def step(
    params: Params, state: State, truck: Truck, evidence: dict[int, float]
) -> tuple[int, float]:
    """Say how urgent a stuck valve is now."""
    thermal = truck.thermal
    probability = thermal.p_cut_off
    faulty = probability + thermal.p_poor
    if faulty >= SURE and probability >= LIKELIEST:
        state.upheld = 1
    elif faulty < DOUBTED:
        state.upheld = 0
    evidence[0] = truck.latest.fluid_c
    evidence[1] = params.full_c
    evidence[2] = thermal.healthy.kappa
    evidence[3] = thermal.cut_off.kappa
    evidence[4] = truck.latest.heat_w / 1000.0
    evidence[5] = truck.latest.air_c
    evidence[6] = thermal.p_poor
    evidence[7] = thermal.proven_ms / 1000.0
    evidence[8] = thermal.suspect_ms / 1000.0
    evidence[9] = params.assumed
    if state.upheld == 0:
        return 0, probability
    return (4 if truck.latest.fluid_c >= params.critical_c else 3), probability


def words(evidence: Mapping[str, float], units: Units) -> Words:
    """Say it to a person."""
    return Words(
        title="Cooler bypass valve stuck: hot fluid is not reaching the cooler",
        observed=(
            f"Fluid at {units.degrees(evidence['fluid_temp_c'])} with about "
            f"{evidence['heat_kw']:.0f} kW going in, and the heat balance shows "
            f"{evidence['cooler_share_if_stuck']:.0%} of the usual flow of heat to the cooler."
        ),
        expected=(
            "A healthy valve is fully open at "
            f"{units.degrees(evidence['valve_full_open_c'])}; the cooler would then hold or "
            "lower this temperature."
        ),
        doubts=_assumption(evidence)
        + (
            "A blocked or pinched cooler line looks the same from the sump (a cooler that "
            f"still passes some heat: {evidence['poor_cooler_probability']:.0%}). A hand-held "
            "reading of both cooler lines, taken in the shop, tells: cold lines above a hot "
            "sump mean no flow."
        ),
        action=(
            "Take the load off now and stop where it is safe; do not finish the climb. Have "
            "the bypass valve and the cooler lines checked before the next tow, and the "
            "fluid judged by its colour, smell and, better, a laboratory sample."
        ),
        cautions=(STOP_SAFELY, HOT_FLUID, SHOP_ONLY, USED_OIL),
    )


def _assumption(evidence: Mapping[str, float]) -> str:
    if not evidence["circuit_assumed"]:
        return ""
    return (
        "This truck is not in the fleet file and is taken for one with a thermal bypass valve; "
        "if it has none, its cooler carries too little for some other reason. "
    )


BYPASS_STUCK = Detector(
    kind="bypass_stuck",
    params=Params,
    state=State,
    evidence=(
        "fluid_temp_c",
        "valve_full_open_c",
        "cooler_share_if_healthy",
        "cooler_share_if_stuck",
        "heat_kw",
        "ambient_temp_c",
        "poor_cooler_probability",
        "cooler_flow_last_proven_unix_s",
        "suspected_since_unix_s",
        "circuit_assumed",
    ),
    step=step,
    on_delay_s=0.0,
    off_delay_s=300.0,
    words=words,
    begins_again_with=("gearbox", "circuit"),
)
