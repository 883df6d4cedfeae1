"""The bank: a filter for each hypothesis that the circuit can have, mixed and weighed window by window.

What the healthy filter holds of the truck is carried into each fault that might begin in this window, with
the fault's own number drawn anew: interacting multiple models (Blom and Bar-Shalom 1988, from memory).
"""

from __future__ import annotations

import math
from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from models import priors
from models.beginnings import let_begin
from models.circuit import (
    AIR_C,
    BYPASS,
    CONVERTER_W,
    COOLER_LINE,
    FLUID,
    LEAK,
    RPM,
    SINK,
    SITE,
    SPAN_S,
    STATES,
    SUMP,
    CircuitParams,
    carried_w,
    doubted,
    read_at,
    regulates,
)
from models.compiled import compiled
from models.cooler import LEAST_FLOW, pumped
from models.cooler_line import FLOWS_FROM, shows_flow, standing_k
from models.hypotheses import COUNT, HEALTHY, SHUT
from models.hypothesis_filter import predict, update
from models.interacting import weigh
from models.layout import Layout
from models.line_back import LineBack, begin_back, learn_back
from models.rows import clear_cross
from models.setting_out import begin, warm_up

TEMPER = 0.8
"""Share of a window's log likelihood that is believed [-]: neighbouring windows share what two nodes get
wrong. Doubled, the delay halves and the odds of a false alarm are squared."""

LARGEST_STEP = 4.0
"""Most that one window may move a hypothesis behind the best one, in log odds [-]."""

FIRST_H = 20.0
"""Driving before the first sample that a fault may have had to begin in [h]; own choice."""

LEARNS_FROM = 0.2
"""Probability of a healthy truck from which its own values are learned [-], by all filters or by none: where
only the faults' go on learning, what two nodes get wrong speaks for them more and more. Own choice."""

RUNNING_RPM = 400.0
"""Engine speed below which the pump was at rest for part of a window [1/min]; common practice: idle is 550 to
700. With the pump at rest a sensor outside the sump reads what cools there, and says nothing of the fluid."""

UNREAD_SINK_K = 4.0
"""How fast outside air may drift from where it was last read [K per root hour]; own choice."""

GUESSED_SINK_SD_K = 6.0
"""Error of a sink's temperature that no signal tells [K]; own choice."""


class BankParams(Layout):
    """The circuit, and how often each of its faults begins [1/h of driving]; 0: it cannot have it."""

    circuit: CircuitParams
    begins_per_h: Annotated[NDArray[np.float64], COUNT]


class Bank(Layout):
    """State: probability, filter and valve of each hypothesis, in a row."""

    p: Annotated[NDArray[np.float64], COUNT]
    x: Annotated[NDArray[np.float64], COUNT * STATES]
    cov: Annotated[NDArray[np.float64], COUNT * STATES * STATES]
    valve: Annotated[NDArray[np.float64], 2 * COUNT]
    set_out_c: float  # sump when the cooler's line last told it [°C]
    flows: int  # 1: the cooler's line has just shown flow
    doubted: float  # odds of a fault by the last stretches [-] (``models.stretches``)
    line_back: LineBack
    log_likelihood: Annotated[NDArray[np.float64], COUNT]
    carried_k: float  # what a healthy cooler would have taken off in the last window [K]
    off_k: float  # fluid above what was foretold of a healthy truck [K]
    off_sd_k: float
    off: float  # the same, in standard deviations of the reading [-]


@compiled
def begin_bank(params: BankParams, bank: Bank, fluid_c: float) -> None:
    """Begin all filters as the class has it, at a fluid temperature [°C]."""
    xs = bank.x.reshape((COUNT, STATES))
    covs = bank.cov.reshape((COUNT, STATES, STATES))
    bank.set_out_c = fluid_c
    begin_back(bank.line_back)
    rest = 1.0
    for place in range(COUNT):
        begin(params.circuit, place, fluid_c, xs[place], covs[place])
        bank.valve[2 * place] = fluid_c
        if place != HEALTHY:
            bank.p[place] = FIRST_H * params.begins_per_h[place]
            rest -= bank.p[place]
    bank.p[HEALTHY] = rest


@compiled
def settle_bank(
    params: BankParams,
    bank: Bank,
    fluid_c: float,
    sink_guessed: bool,
    guessed_anew: bool,
    gap_s: float,
) -> None:
    """Take the temperatures up anew after a gap [s].

    ``sink_guessed``: no signal tells the sink; ``guessed_anew``: it has just been guessed, and nothing
    is known of how far off that is.
    """
    xs = bank.x.reshape((COUNT, STATES))
    covs = bank.cov.reshape((COUNT, STATES, STATES))
    for place in range(COUNT):
        warm_up(params.circuit, fluid_c, gap_s, xs[place], covs[place])
        bank.valve[2 * place] = xs[place, FLUID]
        bank.valve[2 * place + 1] = 0.0
        if guessed_anew:
            xs[place, SINK] = 0.0
            clear_cross(covs[place], SINK)
        if sink_guessed:
            covs[place, SINK, SINK] = max(covs[place, SINK, SINK], GUESSED_SINK_SD_K**2)
    bank.set_out_c = xs[HEALTHY, FLUID]


@compiled
def lose_sight(bank: Bank, hours: float) -> None:
    """Outside air that no signal tells drifts away from what it was."""
    covs = bank.cov.reshape((COUNT, STATES, STATES))
    for place in range(COUNT):
        covs[place, SINK, SINK] += UNREAD_SINK_K**2 * hours


@compiled
def step_bank(
    params: BankParams,
    bank: Bank,
    duty: NDArray[np.float64],
    heat_sd_kw: float,
    lasting_sd_kw: float,
    scale: float,
    fluid_c: float,
    line_c: float,
    back_c: float,
    trusted: bool,
) -> None:
    """Take a window in.

    Parameters
    ----------
    params, bank
        Of the truck; the bank is changed.
    duty, heat_sd_kw
        Means over the window, shape (``DUTY``,); standard deviation of the heat made [kW].
    fluid_c, line_c, back_c
        Readings at its end [°C]; ``line_c``, of the line to the cooler, ``back_c``, of the line back, not
        numbers where there are none.
    trusted
        False: the fluid's sensor is in doubt; all runs on by itself, and the odds stay.
    """
    xs = bank.x.reshape((COUNT, STATES))
    covs = bank.cov.reshape((COUNT, STATES, STATES))
    flows = duty[RPM] >= RUNNING_RPM
    trusted = trusted and (flows or params.circuit.site == SUMP)
    line = flows and params.circuit.site == SUMP and not math.isnan(line_c)
    learns = bank.p[HEALTHY] / (1.0 + bank.doubted) > LEARNS_FROM
    anew = bank.flows == 1 and bank.p[HEALTHY] > FLOWS_FROM
    # In the line a shut valve's filter alone knows the sump: what the others hold of it is the line.
    sticks = regulates(params.circuit) and params.circuit.site != COOLER_LINE
    hours = duty[SPAN_S] / 3600.0
    let_begin(params.begins_per_h, sticks, anew, hours, bank.p, xs, covs, bank.valve)
    doubt_kw = _valve_doubt_kw(params, bank, duty)
    lasting_sd_kw = math.sqrt(lasting_sd_kw * lasting_sd_kw + doubt_kw * doubt_kw)
    followed = line or params.circuit.site != SUMP
    still_k = 0.0
    beyond_k = _beyond_k(params.circuit, duty, bank.x[FLUID])
    for place in range(COUNT):
        if place != HEALTHY and params.begins_per_h[place] == 0.0:
            continue
        valve = bank.valve[2 * place : 2 * place + 2]
        predict(
            params.circuit,
            place,
            followed,
            duty,
            heat_sd_kw,
            lasting_sd_kw,
            scale,
            xs[place],
            covs[place],
            valve,
        )
        if place == HEALTHY:
            _look_at_healthy(params, bank, duty, fluid_c)
            still_k = _look_at_line(params.circuit, bank, duty, fluid_c)
        if not trusted:
            continue
        told = _by_fluid(
            params.circuit,
            bank,
            place,
            fluid_c,
            still_k,
            beyond_k,
            learns,
            xs[place],
            covs[place],
        )
        if line:
            line_var = priors.LINE_SD_K**2 + still_k * still_k + beyond_k * beyond_k
            told += update(
                place, SITE, line_c, line_var, learns, place == SHUT, xs[place], covs[place]
            )
        bank.log_likelihood[place] = told
    if not trusted:
        return
    if flows:
        to_c = fluid_c if params.circuit.site == COOLER_LINE else line_c
        learn_back(
            params.circuit,
            params.begins_per_h,
            bank.line_back,
            duty,
            to_c,
            back_c,
            still_k,
            TEMPER,
            learns,
            xs,
            covs,
            bank.valve,
            bank.log_likelihood,
        )
    _weigh(bank)


@compiled
def _by_fluid(
    params: CircuitParams,
    bank: Bank,
    hypothesis: int,
    fluid_c: float,
    still_k: float,
    beyond_k: float,
    learns: bool,
    x: NDArray[np.float64],
    cov: NDArray[np.float64],
) -> float:
    """Learn from the fluid's own reading; give its log likelihood [-]."""
    where = read_at(params)
    noise_var = priors.READING_SD_K**2
    if params.site != SUMP:
        noise_var += beyond_k * beyond_k
    if params.site == COOLER_LINE:
        noise_var += still_k * still_k
    if hypothesis == HEALTHY:
        bank.off = bank.off_k / math.sqrt(cov[where, where] + noise_var)
    # A shut valve's leak is not known, so that its line says nothing of the sump.
    alone = hypothesis == SHUT and params.site == COOLER_LINE
    told: float = update(hypothesis, where, fluid_c, noise_var, learns, alone, x, cov)
    return told


@compiled
def _look_at_healthy(
    params: BankParams, bank: Bank, duty: NDArray[np.float64], fluid_c: float
) -> None:
    """Note what the healthy filter foretold, before it learns from the reading."""
    circuit = params.circuit
    x = bank.x[0:STATES]
    cov = bank.cov[0 : STATES * STATES].reshape((STATES, STATES))
    where = read_at(circuit)
    bank.off_k = fluid_c - x[where]
    bank.off_sd_k = math.sqrt(cov[where, where] + priors.READING_SD_K**2)
    bank.carried_k = (
        carried_w(circuit, duty, x, bank.valve[1]) * duty[SPAN_S] / circuit.fluid_j_k
    )


@compiled
def _look_at_line(
    params: CircuitParams, bank: Bank, duty: NDArray[np.float64], fluid_c: float
) -> float:
    """Note whether the cooler's line shows flow; give the error of its reading [K] (``standing_k``)."""
    if params.kind != BYPASS:
        return 0.0
    at = SHUT * STATES + FLUID
    shut_c, shut_var = bank.x[at], bank.cov[at * STATES + FLUID]
    bank.flows = 0
    if params.site == COOLER_LINE:
        near = bank.valve[1] > LEAK and abs(bank.off_k) < 2.0 * bank.off_sd_k
        if near and shows_flow(params, fluid_c, shut_c, duty[AIR_C]):
            bank.flows, bank.set_out_c = 1, shut_c
    return standing_k(params, duty, fluid_c, bank.x[FLUID], shut_c, shut_var, bank.set_out_c)


@compiled
def _valve_doubt_kw(params: BankParams, bank: Bank, duty: NDArray[np.float64]) -> float:
    """What is not known of the heat carried off while a healthy valve is part-way open [kW]."""
    share = bank.valve[1]
    wider = doubted(params.circuit, share)
    if wider == share:
        return 0.0
    x = bank.x[0:STATES]
    more_w = carried_w(params.circuit, duty, x, wider) - carried_w(
        params.circuit, duty, x, share
    )
    return abs(more_w) / 1000.0


@compiled
def _beyond_k(params: CircuitParams, duty: NDArray[np.float64], fluid_c: float) -> float:
    """Error of a reading beyond the converter, by its rise over the sump [K].

    Little flows of cold fluid, and the less, the less is known of how much.
    """
    flow = max(LEAST_FLOW, pumped(duty[RPM], fluid_c))
    rise_k = duty[CONVERTER_W] / (params.flow_w_k * flow)
    beyond_k: float = priors.RISE_SHARE * rise_k / min(1.0, flow)
    return beyond_k


@compiled
def _weigh(bank: Bank) -> None:
    """Move the odds by one window."""
    told, best = np.empty(COUNT), -math.inf
    for place in range(COUNT):
        told[place] = TEMPER * bank.log_likelihood[place] if bank.p[place] > 0.0 else -math.inf
        best = max(best, told[place])
    for place in range(COUNT):
        told[place] = max(told[place], best - LARGEST_STEP)
    weigh(bank.p, told)
