"""Hypothesis: the fluid has been too hot for too long; the hotter, the sooner.

An exposure grows while the fluid is above the limit, twice as fast for each 10 K more, and
shrinks below it. At the limit it takes ten minutes to reach one, at 10 K above it five, at the
critical temperature one. A rise that is about to pass the critical temperature is told ahead: when the
fluid is warm already and the forecast (``models.time_to_limit``) has stood for more than a minute.
"""

from __future__ import annotations

import math

from models.compiled import compiled
from models.detector import Detector, Truck
from models.hot_words import words
from models.hypotheses import COUNT, HEALTHY, NAMES
from models.layout import Layout
from models.thermal import Thermal
from models.time_to_limit import Rise, RiseParams, follow, minutes_to
from models.view import View

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

NEAR_K = 15.0
"""How far below the limit the fluid is warm enough to be foretold [K]: there a healthy bypass valve is fully
open and a rise says something. Own choice; at 30 K every warm-up would be looked at."""

AHEAD_MIN = 4.0
"""Time to the critical temperature at which people are told ahead [min]: what finding a place to stop takes.
Own choice; at twice the time, alarms for pulls that end by themselves."""

STANDING_S = 75.0
"""How long the forecast must have stood [s]; EEMUA 191 starts at 60 s for temperatures (from memory)."""

RECENTLY_S = 1800.0
"""Age up to which the last look at the cooling circuit counts [s]; own choice."""


class Params(Layout):
    """Limits of this truck [°C], by where its sensor sits and which fluid it has; its rise."""

    limit_c: float
    high_c: float
    critical_c: float
    coolant_cooled: int  # 1: the circuit is a coolant exchanger
    foretells: (
        int  # 1: the sensor sits in the sump; others follow load and valve at once, so that
    )
    # their rise does not tell where the fluid is going
    rise: RiseParams


class State(Layout):
    """State: exposure and what happened since it began; the rise, and since when it foretells trouble."""

    exposure: float
    last_c: float
    since_ms: int
    peak_c: float
    above_s: float
    priority: int
    rise: Rise
    ahead_ms: int  # since when the critical temperature is foretold [Unix ms], 0: it is not
    early: int  # 1: raised ahead, and upheld


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
def _foresee(params: Params, state: State, view: View, carried: float) -> None:
    """Tell ahead of a rise that is about to pass the critical temperature."""
    if params.foretells == 0:
        return
    follow(state.rise, view, params.limit_c - NEAR_K)
    now_ms = view.time_ms
    likely, _, latest = minutes_to(params.rise, state.rise, now_ms, params.critical_c, carried)
    # Even a cooler that carries all that nobody has seen it fail to carry would not end the rise in time.
    if (
        not (likely <= AHEAD_MIN and not math.isnan(latest))
        or view.fluid_c < params.limit_c - NEAR_K
    ):
        state.ahead_ms = 0
    elif state.ahead_ms == 0:
        state.ahead_ms = now_ms
    if state.ahead_ms > 0 and now_ms - state.ahead_ms >= 1000.0 * STANDING_S:
        state.early = 1
    elif state.ahead_ms == 0 and view.fluid_c < params.limit_c - DEADBAND_K:
        state.early = 0


@compiled
def _carried(thermal: Thermal, now_ms: int) -> float:
    """What the cooler carries of its usual share [-], NaN where nothing has told lately."""
    judged_ms = thermal.observing.judged_ms
    if judged_ms == 0 or now_ms - judged_ms > 1000.0 * RECENTLY_S:
        return math.nan
    return thermal.share * thermal.cooler_scale


@compiled
def _next_c(params: Params, fluid_c: float) -> float:
    """The next level above a temperature [°C], NaN above all."""
    for level_c in (params.limit_c, params.high_c, params.critical_c):
        if fluid_c < level_c:
            return level_c
    return math.nan


@compiled
def step(
    params: Params, state: State, truck: Truck, evidence: dict[int, float]
) -> tuple[int, float]:
    """Say how urgent the fluid's temperature is now."""
    view = truck.latest
    carried = _carried(truck.thermal, view.time_ms)
    if not math.isnan(view.fluid_c):
        _read(params, state, view)
        _foresee(params, state, view, carried)
    _show(params, state, truck, carried, evidence)
    # Without a reading what held goes on: an alarm ends when the fluid is seen to have cooled.
    return max(state.priority, 3 * state.early), 1.0


@compiled
def _show(
    params: Params, state: State, truck: Truck, carried: float, evidence: dict[int, float]
) -> None:
    """Write the evidence."""
    view = truck.latest
    next_c = _next_c(params, state.last_c)
    likely, soonest, latest = minutes_to(params.rise, state.rise, view.time_ms, next_c, carried)
    evidence[0] = state.last_c
    evidence[1] = params.limit_c
    evidence[2] = state.peak_c
    evidence[3] = state.above_s / 60.0
    evidence[4] = view.air_c
    evidence[5] = view.heat_w / 1000.0
    _show_circuit(truck.thermal, view.time_ms, evidence)
    evidence[8] = 1.0 if state.early == 1 and state.priority < 3 else 0.0
    evidence[9] = 60.0 * state.rise.slope_k_s if state.rise.span_s > 0.0 else math.nan
    evidence[10] = next_c
    evidence[11] = likely
    evidence[12] = soonest
    evidence[13] = latest
    evidence[14] = truck.sensor.suspect
    evidence[23] = params.coolant_cooled


@compiled
def _show_circuit(thermal: Thermal, now_ms: int, evidence: dict[int, float]) -> None:
    """Write how likely each cause is, NaN before anything was weighed."""
    judged_ms = thermal.observing.judged_ms
    evidence[6] = 1.0 - thermal.p[HEALTHY] if thermal.started == 1 else math.nan
    evidence[7] = (now_ms - judged_ms) / 60_000.0 if judged_ms > 0 else math.nan
    for place in range(COUNT):
        evidence[15 + place] = thermal.p[place] if thermal.started == 1 else math.nan


@compiled
def _priority(params: Params, state: State, fluid_c: float, sustained_c: float) -> int:
    if state.exposure < 1.0 or fluid_c < params.limit_c - DEADBAND_K:
        return 0
    if sustained_c >= params.critical_c:
        return 4
    return 3 if sustained_c >= params.high_c else 2


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
        "foreseen",
        "rise_k_min",
        "next_limit_c",
        "minutes_to_next_limit",
        "minutes_to_next_limit_soonest",
        "minutes_to_next_limit_latest",
        "sensor_suspect",
        *(f"p_{name}" for name in NAMES),
        "coolant_cooled",
    ),
    step=step,
    on_delay_s=0.0,
    off_delay_s=120.0,
    words=words,
)
