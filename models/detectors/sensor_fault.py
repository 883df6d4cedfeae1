"""Hypothesis: a sensor is off: the fluid's frozen, noisy, stepped, biased, drifting, impossible or gone.

The watch (``models.sensor_watch``) weighs it; here the most likely is named. Outside air and coolant are
accused only when the other two vouch for each other, night after night.
"""

from __future__ import annotations

import math

from models.compiled import compiled
from models.detector import Detector, Truck
from models.layout import Layout
from models.sensor_others import NIGHTS, is_fluid_missing
from models.sensor_watch import SensorWatch
from models.sensor_words import AIR, COOLANT, FLUID, MISSING, words

DOUBTED = 0.5
"""Probability below which the alarm is no longer upheld [-]."""

ODD_SURE = 0.95
"""Probability said of a sensor that the other two agree against on ``NIGHTS`` nights [-]. Own choice."""

_MEDIUM, _LOW = 2, 1


class Params(Layout):
    """How probable a fault of the fluid's sensor must be to be told [-]."""

    sure: float


class State(Layout):
    """State: which sensor is accused and of what, as long as it is; since when, and what was seen."""

    upheld: int
    sensor: int
    what: int
    since_ms: int
    probability: float


@compiled
def _odd(watch: SensorWatch) -> int:
    """Which of the others the remaining two agree against, 0: none."""
    if abs(watch.others.air_nights) >= NIGHTS:
        return AIR
    return COOLANT if abs(watch.others.coolant_nights) >= NIGHTS else 0


@compiled
def _judge(params: Params, state: State, watch: SensorWatch, now_ms: int) -> int:
    """Settle what is accused now; give the priority."""
    odd = _odd(watch)
    missing = is_fluid_missing(watch.others)
    fluid = watch.p_fault >= params.sure or (
        state.upheld == 1
        and state.sensor == FLUID
        and state.what != MISSING
        and watch.p_fault >= DOUBTED
    )
    if not (fluid or missing or odd > 0):
        state.upheld = 0
        state.probability = watch.p_fault
        return 0
    if state.upheld == 0:
        state.since_ms = watch.since_ms if fluid and watch.since_ms > 0 else now_ms
    state.upheld = 1
    if fluid:
        state.sensor, state.what, state.probability = FLUID, watch.what, watch.p_fault
        return _MEDIUM
    if missing:
        state.sensor, state.what, state.probability = FLUID, MISSING, 1.0
        state.since_ms = watch.others.fluid_missing_since_ms
        return _LOW
    state.sensor, state.what, state.probability = odd, 0, ODD_SURE
    return _LOW


@compiled
def step(
    params: Params, state: State, truck: Truck, evidence: dict[int, float]
) -> tuple[int, float]:
    """Say how urgent the doubt in a sensor is now."""
    watch, view = truck.sensor, truck.latest
    hold, nights, others = watch.hold, watch.nights, watch.others
    priority = _judge(params, state, watch, view.time_ms)
    evidence[0] = state.sensor
    evidence[1] = state.what
    evidence[2] = watch.last_c
    evidence[3] = view.air_c
    evidence[4] = view.coolant_c
    evidence[5] = (view.time_ms - state.since_ms) / 60_000.0 if priority > 0 else math.nan
    evidence[6] = hold.run_s / 60.0
    evidence[7] = hold.expected_k
    evidence[8] = hold.longest_s / 60.0
    evidence[9] = watch.noise.shown_k
    evidence[10] = watch.noise.own_k
    evidence[11] = nights.jump_k if nights.jumped == 1 else math.nan
    evidence[12] = nights.shown_k if nights.counted > 0 else math.nan
    evidence[13] = nights.change_k if nights.counted > 1 else math.nan
    evidence[14] = watch.bias_k
    evidence[15] = watch.bias_sd_k
    evidence[16] = nights.alone
    evidence[17] = others.air_odd_k if state.sensor == AIR else others.coolant_odd_k
    evidence[18] = others.fluid_missing_s / 60.0
    evidence[19] = watch.p_frozen
    evidence[20] = watch.p_noisy
    evidence[21] = watch.p_off
    evidence[22] = view.fluid_glitches
    return priority, state.probability


SENSOR_FAULT = Detector(
    kind="sensor_fault",
    params=Params,
    state=State,
    evidence=(
        "sensor",
        "what",
        "fluid_temp_c",
        "ambient_temp_c",
        "coolant_temp_c",
        "minutes_since",
        "minutes_the_same",
        "expected_motion_k",
        "longest_hold_minutes",
        "scatter_k",
        "usual_scatter_k",
        "step_k",
        "off_after_night_k",
        "change_between_nights_k",
        "bias_k",
        "bias_sd_k",
        "compared_with_one",
        "other_off_k",
        "minutes_missing",
        "p_frozen",
        "p_noisy",
        "p_biased",
        "wild_readings",
    ),
    step=step,
    on_delay_s=0.0,
    off_delay_s=300.0,
    words=words,
    begins_again_with=("gearbox", "circuit"),
)
