"""Hypothesis: the cooling circuit sheds too little heat, and the balance cannot say why.

The healthy explanation is as good as excluded, but a cooler cut off is not clearly likelier
than one that passes too little: blocked air, a pinched line, a valve stuck part-way. What is
sure is said, and no more.
"""

from __future__ import annotations

from collections.abc import Mapping

from models.compiled import compiled
from models.detector import Detector, Truck
from models.layout import Layout
from models.units import Units
from models.verdict import DOUBTED, LIKELIEST, SURE
from models.words import HOT_FLUID, SHOP_ONLY, STOP_SAFELY, Words

NAMED = 0.9
"""Probability of a cut-off cooler from which the stuck valve has the matter to itself [-]."""


class Params(Layout):
    """When too little cooling is dangerous [°C]."""

    critical_c: float


class State(Layout):
    """State: whether the alarm is upheld."""

    upheld: int


@compiled
def step(
    params: Params, state: State, truck: Truck, evidence: dict[int, float]
) -> tuple[int, float]:
    """Say how urgent the lack of cooling is now."""
    thermal = truck.thermal
    faulty = thermal.p_cut_off + thermal.p_poor
    if faulty >= SURE and thermal.p_cut_off < LIKELIEST:
        state.upheld = 1
    elif faulty < DOUBTED or thermal.p_cut_off >= NAMED:
        state.upheld = 0
    evidence[0] = truck.latest.fluid_c
    evidence[1] = thermal.poor.kappa
    evidence[2] = thermal.p_cut_off
    evidence[3] = truck.latest.heat_w / 1000.0
    evidence[4] = truck.latest.air_c
    evidence[5] = thermal.proven_ms / 1000.0
    if state.upheld == 0:
        return 0, faulty
    return (3 if truck.latest.fluid_c >= params.critical_c else 2), faulty


def words(evidence: Mapping[str, float], units: Units) -> Words:
    """Say it to a person."""
    return Words(
        title="Cooling circuit sheds too little heat, cause not clear",
        observed=(
            f"Fluid at {units.degrees(evidence['fluid_temp_c'])} with about "
            f"{evidence['heat_kw']:.0f} kW going in; the cooler seems to carry "
            f"{evidence['cooler_share_if_poor']:.0%} of its share."
        ),
        expected="A healthy circuit would hold or lower this temperature at this load.",
        doubts=(
            "Debris before the cooler, a failed fan, a pinched line, or a bypass valve stuck "
            f"part-way (wholly stuck: {evidence['cut_off_probability']:.0%}). A look at the "
            "fins, and both line temperatures taken in the shop, tell them apart."
        ),
        action=(
            "Ease off now. Have the cooler's face cleaned and the lines and the valve "
            "checked before the next heavy tow."
        ),
        cautions=(STOP_SAFELY, HOT_FLUID, SHOP_ONLY),
    )


HEAT_REJECTION_LOW = Detector(
    kind="heat_rejection_low",
    params=Params,
    state=State,
    evidence=(
        "fluid_temp_c",
        "cooler_share_if_poor",
        "cut_off_probability",
        "heat_kw",
        "ambient_temp_c",
        "cooler_flow_last_proven_unix_s",
    ),
    step=step,
    on_delay_s=180.0,
    off_delay_s=300.0,
    words=words,
    begins_again_with=("gearbox", "circuit"),
)
