"""Hypothesis: the fluid has been too hot for too long; the hotter, the sooner.

An exposure grows while the fluid is above the limit, twice as fast for each 10 K more, and
shrinks below it. At the limit it takes ten minutes to reach one, at 10 K above it five, at the
critical temperature one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from models.compiled import compiled
from models.detector import Detector, Truck
from models.layout import Layout
from models.units import Units
from models.view import View
from models.words import HOT_FLUID, SHOP_ONLY, STOP_SAFELY, Words

SECONDS_AT_LIMIT = 600.0
"""Time at the limit that raises the alarm [s]. Common practice, no source: a pull of a few
minutes past the limit is duty, ten are harm. Doubling it delays every alarm of this kind to
twice the time."""

SECONDS_AT_CRITICAL = 60.0
"""Time at the critical temperature that raises the alarm, however fast the fluid got there [s].
EEMUA 191 starts at 60 s for temperatures (from memory)."""

DOUBLING_K = 10.0
"""Temperature step that halves the time [K]; the rule of thumb that oxidation doubles per 10 °C."""

FASTEST = 16.0
"""Most that the exposure may speed up [-]: one wild reading must not raise an alarm by itself."""

DEADBAND_K = 3.0
"""How far below the limit the fluid must fall before the alarm may clear [K]; IEC 62682 asks
for a deadband, EEMUA 191 starts at 1 % of range (from memory)."""

RECOVERY_S = 600.0
"""Time below the limit after which the exposure is forgotten [s]."""


HEALTHY_BELOW = 0.2
"""Probability of a fault of the circuit below which the heat is called duty [-]."""

RECENTLY_MIN = 30.0
"""Age up to which the last look at the cooling circuit counts [min]."""


class Params(Layout):
    """Limits of this truck [°C]: where its sensor sits and which fluid it has."""

    limit_c: float
    high_c: float
    critical_c: float


class State(Layout):
    """State: exposure, and what happened since it began."""

    exposure: float
    last_c: float
    since_ms: int
    peak_c: float
    above_s: float
    priority: int


@compiled
def _grow(params: Params, state: State, fluid_c: float, now_ms: int, dt_s: float) -> None:
    """Count a span by its cooler end, so that a single spike counts for nothing."""
    cooler_end = min(state.last_c, fluid_c)
    if cooler_end >= params.limit_c:
        rate = min(FASTEST, 2.0 ** ((cooler_end - params.limit_c) / DOUBLING_K))
        if cooler_end >= params.critical_c:
            rate = max(rate, SECONDS_AT_LIMIT / SECONDS_AT_CRITICAL)
        state.exposure = min(2.0, state.exposure + rate * dt_s / SECONDS_AT_LIMIT)
        state.above_s += dt_s
    elif fluid_c < params.limit_c - DEADBAND_K:
        state.exposure = max(0.0, state.exposure - dt_s / RECOVERY_S)
    if state.exposure == 0.0:
        state.since_ms = now_ms
        state.peak_c = fluid_c
        state.above_s = 0.0
    state.peak_c = max(state.peak_c, cooler_end)


@compiled
def _read(params: Params, state: State, view: View) -> None:
    """Take a reading of the fluid."""
    fluid_c = view.fluid_c
    if view.fluid_dt_s > 0.0:
        _grow(params, state, fluid_c, view.time_ms, view.fluid_dt_s)
    elif state.priority == 0 or fluid_c < params.limit_c - DEADBAND_K:
        # What went on in a gap is not known; only one that ends as hot as it began ends nothing.
        state.exposure = 0.0
        state.since_ms = view.time_ms
        state.peak_c = fluid_c
        state.above_s = 0.0
    sustained_c = min(fluid_c, state.last_c)
    state.last_c = fluid_c
    state.priority = _priority(params, state, fluid_c, sustained_c)


@compiled
def step(
    params: Params, state: State, truck: Truck, evidence: dict[int, float]
) -> tuple[int, float]:
    """Say how urgent the fluid's temperature is now."""
    view = truck.latest
    if not math.isnan(view.fluid_c):
        _read(params, state, view)
    evidence[0] = state.last_c
    evidence[1] = params.limit_c
    evidence[2] = state.peak_c
    evidence[3] = state.above_s / 60.0
    evidence[4] = view.air_c
    evidence[5] = view.heat_w / 1000.0
    evidence[6] = truck.thermal.p_cut_off + truck.thermal.p_poor
    judged_ms = truck.thermal.judged_ms
    evidence[7] = (view.time_ms - judged_ms) / 60_000.0 if judged_ms > 0 else math.nan
    # Without a reading what held goes on: an alarm ends when the fluid is seen to have cooled.
    return state.priority, 1.0


@compiled
def _priority(params: Params, state: State, fluid_c: float, sustained_c: float) -> int:
    if state.exposure < 1.0 or fluid_c < params.limit_c - DEADBAND_K:
        return 0
    if sustained_c >= params.critical_c:
        return 4
    return 3 if sustained_c >= params.high_c else 2


def words(evidence: Mapping[str, float], units: Units) -> Words:
    """Say it to a person."""
    return Words(
        title=f"Transmission fluid too hot: {units.degrees(evidence['fluid_temp_c'])}",
        observed=(
            f"Fluid above {units.degrees(evidence['limit_c'])} for "
            f"{evidence['minutes_above_limit']:.0f} min, up to "
            f"{units.degrees(evidence['peak_temp_c'])}; about {evidence['heat_kw']:.0f} kW of "
            "heat going into the gearbox."
        ),
        expected=f"Below {units.degrees(evidence['limit_c'])} on any load this truck should pull.",
        doubts=_doubts(evidence),
        action=(
            "Ease off: lower gear, less speed, less load on the next trip. If it keeps "
            "climbing, stop where it is safe, put the gearbox in Park or Neutral and let the "
            "engine run at a raised idle so that pump and fan cool the fluid."
        ),
        cautions=(STOP_SAFELY, HOT_FLUID, SHOP_ONLY),
    )


def _doubts(evidence: Mapping[str, float]) -> str:
    """Tell duty from a fault, where that can be told."""
    if not evidence["circuit_judged_minutes_ago"] <= RECENTLY_MIN:
        return (
            "Load and grade, or the cooling circuit: this truck's signals do not show whether "
            "its cooler carries its share."
        )
    if evidence["circuit_fault_probability"] < HEALTHY_BELOW:
        return "The cooling circuit carries its share: this is load and grade, not a fault."
    return "The cooling circuit may be at fault: see its own alarm, if there is one."


OVER_TEMPERATURE = Detector(
    kind="over_temperature",
    params=Params,
    state=State,
    evidence=(
        "fluid_temp_c",
        "limit_c",
        "peak_temp_c",
        "minutes_above_limit",
        "ambient_temp_c",
        "heat_kw",
        "circuit_fault_probability",
        "circuit_judged_minutes_ago",
    ),
    step=step,
    on_delay_s=0.0,
    off_delay_s=120.0,
    words=words,
)
