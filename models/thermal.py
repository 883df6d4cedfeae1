"""Where the heat goes: what the cooling circuit may be, weighed side by side in windows of half a minute.

One filter for each hypothesis that the circuit can have (``models.hypotheses``) runs the circuit's own
forward physics (``models.circuit``) with this truck's values, learned while all is well, and with what the
hypothesis says of its fault (``models.bank``). The odds move with how well each foretold the fluid. The same
filters weigh a loaded climb, where the balance of heat tells, and a coast-down or an idling stop, where
hardly any heat is made and the decay alone tells how much is carried off.

Working on conductance and not on temperature is what tells an overloaded truck (hot, but the cooler carries
its share) from one whose bypass valve is stuck. While a valve is rightly shut, all hypotheses foretell the
same and nothing moves: not observable, and said so.
"""

from __future__ import annotations

import math
from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from models import priors
from models.bank import (
    RUNNING_RPM,
    Bank,
    BankParams,
    begin_bank,
    lose_sight,
    settle_bank,
    step_bank,
)
from models.circuit import (
    CONVERTER_W,
    COOLANT,
    COOLER_LINE,
    EXTRA,
    FAULT,
    FLUID,
    HEAT_W,
    LN_CASE,
    LN_COOLER,
    LN_HEAT,
    RPM,
    SHIFT,
    SPAN_S,
    STATES,
    TANK_AND_AIR,
)
from models.compiled import compiled
from models.converter import arriving
from models.expectation import TRUSTED_FROM, Expectation, run_on, set_out, trust
from models.hypotheses import AIR, COUNT, FLOW, HEALTHY, SENSOR
from models.layout import Layout
from models.line_back import take_up_back
from models.observing import Observing, observe_flow
from models.own_error import (
    OwnError,
    begin_block,
    lasting_scale,
    learn_lasting,
    learn_window,
    window_scale,
)
from models.share_left import share_left
from models.stretch_odds import any_odds
from models.stretches import Stretches, foretold_c, look_along, set_out_again
from models.view import View
from models.window import (
    WINDOW_S,
    Window,
    add,
    begin,
    clear,
    close,
    is_untold,
    lines_c,
    note,
    tells,
)

SUSPECT = 0.5
"""Probability of a healthy truck below which a fault is suspected [-]."""

TRUSTED_UP_TO = 0.5
"""Probability that the fluid's sensor is off up to which its readings teach and prove [-]."""

HEAT_SHARE, HEAT_SD_KW, HEAT_J_K = 0.5, 0.1, 42e3
"""Error of the heat made that the learned scale leaves: a share of what is stated for any truck [-], and [kW]
for fluid that takes so much [J/K], for other by the square. Own choice; doubled, false alarms are halved."""

ARRIVES_S = 60.0
SWING_SHARE = 0.25
"""Where the heat made changes within this time [s], so much of the change is not known in a window [-]: how
soon it arrives is each truck's own. Own choice."""

LASTING_S = 300.0
"""Time over which the error of the heat made is averaged [s]; own choice: a launch is soon over, a missing
load signal is not."""

COLD_START_C = 45.0
"""Fluid below which a first reading tells the outside air [°C]; own choice."""

DISCOUNT = 200.0
"""How many times as likely a healthy truck is as the bank has it [-]: faults begin more rarely than the bank
takes them to, so that it wakes early, and what two nodes get wrong speaks for a fault now and then. Found on
the tuning trucks, with ``models.thermal_parameters.MARGINS``: by how often what was stated at 0.9
and more was so."""

GUESSED_AIR = 5.0
"""The same beside that while the outside air must be guessed [-]: such a guess is wrong for hours. On 4,000
tuning trucks it costs 6 of 297 lacks of air or flow; 20 costs 2 of 154 over-cooled beside."""

STARVED_BELIEVED = 0.2
"""Share of the bank's odds of a lack of air or of flow that is told [-]: the last stretches tell them better
(``models.stretches``). All of it told, sound tuning trucks are accused half as often again."""

NOTHING, TAKE_UP, CLOSE = 0, 1, 2
"""What a sample leaves to do: nothing, to set out anew after a gap, to judge a whole window."""


class ThermalParams(Layout):
    """The circuit and its faults, and when people are told."""

    bank: BankParams
    false_alarms_per_h: float  # fault alarms allowed of a sound truck [1/h of driving]
    error_sd_k: float  # of the balance, over whole drives [K]
    assumed: int  # 1: nobody has said which circuit the truck has


class Thermal(Layout):
    """State: the window being filled, the bank, and what follows from it."""

    started: int
    stale: int  # 1: the temperatures must be taken up anew
    windows: int
    known_ms: int  # end of the last window [Unix ms], 0: none yet
    recent_kw: float  # heat made of late [kW]
    converter_w: float  # heat that comes from the converter now [W]
    lasting_sd_kw: float  # error of the heat made, of late [kW]
    window: Window
    bank: Bank
    expectation: Expectation
    observing: Observing
    own_error: OwnError
    stretches: Stretches
    p: Annotated[NDArray[np.float64], COUNT]
    suspect_ms: int  # since when a fault is the likelier, 0: it is not
    share: float  # conductance of the cooler as a share of this truck's own healthy one [-]
    share_sd: float
    number: Annotated[NDArray[np.float64], COUNT]  # what each hypothesis says of its fault
    learned: float  # how far this truck's own values are known [-]: 0 as its class, 1 as well as can be
    heat_scale: float
    case_scale: float
    cooler_scale: float
    valve_shift_k: float


@compiled
def balance(
    params: ThermalParams, thermal: Thermal, view: View, sensor_off: float, slip_told: bool
) -> None:
    """Take the newest sample into the balance of heat.

    Parameters
    ----------
    params
        Of this truck. Nothing is judged where the circuit's kind is 0.
    thermal
        Changed in place.
    view
        The truck at the newest sample. Without fluid temperature and engine speed nothing is judged; where
        outside air, coolant or load are missing they are guessed, and less can be told.
    sensor_off
        Probability that the fluid's sensor is off [-]: where that is likelier than not, nothing is learned
        and the odds stay.
    slip_told
        The slip of a closed clutch is known, and its heat is in the view's.
    """
    judge(
        params, thermal, view, sensor_off, slip_told, gather(params, thermal, view, slip_told)
    )


@compiled
def gather(params: ThermalParams, thermal: Thermal, view: View, slip_told: bool) -> int:
    """Add the newest sample to the window; say what there is to do: ``NOTHING``, ``TAKE_UP``, ``CLOSE``."""
    circuit = params.bank.circuit
    if circuit.kind == 0:
        return NOTHING
    if thermal.started == 0:
        if math.isnan(view.fluid_c):
            return NOTHING
        start(params, thermal, view.fluid_c)
    window = thermal.window
    note(window, view)
    unread = view.fluid_dt_s == 0.0 and not math.isnan(view.fluid_c)  # for too long
    if view.dt_s == 0.0 or unread or not tells(view, circuit.kind >= COOLANT):
        thermal.stale = 1
    if thermal.stale == 1:
        return TAKE_UP
    add(window, view, slip_told)
    if window.duty[SPAN_S] < WINDOW_S or math.isnan(view.fluid_c):
        return NOTHING
    return CLOSE


@compiled
def judge(
    params: ThermalParams,
    thermal: Thermal,
    view: View,
    sensor_off: float,
    slip_told: bool,
    what: int,
) -> None:
    """Do what ``gather`` says there is to do; parameters as for ``balance``."""
    if what == TAKE_UP:
        _take_up(params, thermal, view, slip_told)
    elif what == CLOSE:
        judge_window(params, thermal, view, sensor_off)
        clear(thermal.window)


@compiled
def start(params: ThermalParams, thermal: Thermal, fluid_c: float) -> None:
    """Begin with the first reading [°C]."""
    thermal.started = 1
    thermal.stale = 1
    thermal.window.air_c = math.nan
    bank = thermal.bank
    begin_bank(params.bank, bank, fluid_c)
    x = bank.x.reshape((COUNT, STATES))[HEALTHY]
    cov = bank.cov.reshape((COUNT, STATES, STATES))[HEALTHY]
    trust(params.bank.circuit, thermal.expectation, x, cov, bank.valve[0:2])
    _tell(thermal, 0.0, False)


@compiled
def _take_up(params: ThermalParams, thermal: Thermal, view: View, slip_told: bool) -> None:
    """After a gap: wait for a reading, and set out from it."""
    window = thermal.window
    clear(window)
    by_coolant = params.bank.circuit.kind >= COOLANT
    if math.isnan(view.fluid_c) or not tells(view, by_coolant):
        return
    guessed = not by_coolant and window.air_read == 0
    unknown = math.isnan(window.air_c) and view.fluid_c < COLD_START_C
    anew = window.air_read == 0 and (window.long_stop == 1 or unknown)
    if anew:
        window.air_c = view.fluid_c
    gap_s = math.inf if thermal.known_ms == 0 else (view.time_ms - thermal.known_ms) / 1000.0
    settle_bank(params.bank, thermal.bank, view.fluid_c, guessed, guessed and anew, gap_s)
    to_c, back_c = lines_c(window, view.time_ms)
    if params.bank.circuit.site == COOLER_LINE:
        to_c = view.fluid_c
    stood_s = gap_s if view.fluid_c < COLD_START_C else 0.0  # else it has been driven unseen
    take_up_back(thermal.bank.line_back, to_c, back_c, stood_s, thermal.bank.p)
    set_out(params.bank.circuit, thermal.expectation, view.fluid_c, gap_s)
    sump_c = thermal.bank.x[FLUID]
    set_out_again(params.bank.circuit, thermal.stretches, sump_c, view.fluid_c, gap_s)
    begin(window, view, slip_told)
    begin_block(thermal.own_error)
    thermal.converter_w = 0.0
    window.long_stop = 0
    thermal.stale = 0


@compiled
def judge_window(
    params: ThermalParams, thermal: Thermal, view: View, sensor_off: float
) -> None:
    """Judge a whole window; its sums become means."""
    circuit, bank = params.bank.circuit, thermal.bank
    sd_kw = HEAT_SHARE * close(thermal.window)
    sd_kw += HEAT_SD_KW * (circuit.fluid_j_k / HEAT_J_K) ** 2
    duty = thermal.window.duty
    comes_w, thermal.converter_w = arriving(
        duty[CONVERTER_W], thermal.converter_w, duty[SPAN_S], duty[RPM], view.fluid_c
    )
    duty[HEAT_W] += comes_w - duty[CONVERTER_W]
    duty[CONVERTER_W] = comes_w
    heat_kw = duty[HEAT_W] / 1000.0
    heat_sd_kw = math.hypot(sd_kw, SWING_SHARE * (heat_kw - thermal.recent_kw))
    thermal.recent_kw += (heat_kw - thermal.recent_kw) * _follow(duty[SPAN_S], ARRIVES_S)
    thermal.lasting_sd_kw += (sd_kw - thermal.lasting_sd_kw) * _follow(duty[SPAN_S], LASTING_S)
    if thermal.window.air_read == 0 and circuit.kind < COOLANT:
        lose_sight(bank, duty[SPAN_S] / 3600.0)
    own = thermal.own_error
    scale = window_scale(own)
    heat_sd_kw *= scale
    lasting = lasting_scale(own) * thermal.lasting_sd_kw
    line_c, back_c = lines_c(thermal.window, view.time_ms)
    bank.doubted = any_odds(thermal.stretches.odds)
    step_bank(
        params.bank,
        bank,
        duty,
        heat_sd_kw,
        lasting,
        scale,
        view.fluid_c,
        line_c,
        back_c,
        sensor_off <= TRUSTED_UP_TO,
    )
    thermal.windows += 1
    thermal.known_ms = view.time_ms
    if params.assumed == 0:
        look_along(
            circuit,
            params.bank.begins_per_h,
            params.error_sd_k,
            thermal.stretches,
            duty,
            view.fluid_c,
            _counts(thermal, circuit.kind, sensor_off),
            is_untold(view),
        )
    healthy = bank.p[HEALTHY] / (1.0 + any_odds(thermal.stretches.odds))
    sound = healthy > TRUSTED_FROM and sensor_off <= TRUSTED_UP_TO
    if sound and duty[RPM] >= RUNNING_RPM:
        variance = bank.cov[EXTRA * (STATES + 1)]
        learn_window(own, bank.off)
        learn_lasting(own, bank.x[EXTRA], variance, thermal.lasting_sd_kw)
    observe_flow(
        thermal.observing,
        bank.carried_k,
        bank.off_k,
        bank.off_sd_k,
        sound,
        view.time_ms,
    )
    if healthy > TRUSTED_FROM:
        x = bank.x.reshape((COUNT, STATES))[HEALTHY]
        cov = bank.cov.reshape((COUNT, STATES, STATES))[HEALTHY]
        trust(circuit, thermal.expectation, x, cov, bank.valve[0:2])
    else:
        run_on(circuit, thermal.expectation, duty, heat_sd_kw, lasting, scale)
    if any_odds(thermal.stretches.odds) > 1.0:
        thermal.expectation.celsius = foretold_c(circuit, thermal.stretches)
        thermal.expectation.sd_k = params.error_sd_k
    guesses_air = thermal.window.air_read == 0 and circuit.kind < COOLANT
    _tell(thermal, sensor_off, guesses_air)
    if thermal.p[HEALTHY] >= SUSPECT:
        thermal.suspect_ms = 0
    elif thermal.suspect_ms == 0:
        thermal.suspect_ms = view.time_ms


@compiled
def _follow(span_s: float, over_s: float) -> float:
    return 1.0 - math.exp(-span_s / over_s)


@compiled
def _counts(thermal: Thermal, kind: int, sensor_off: float) -> bool:
    """Say whether a window tells what the cooler carries: the pump turns, sink and reading are known."""
    window = thermal.window
    by_coolant = kind >= COOLANT and kind != TANK_AND_AIR
    sink_known = by_coolant or window.air_read == 1
    return bool(sink_known and window.duty[RPM] >= RUNNING_RPM and sensor_off <= TRUSTED_UP_TO)


@compiled
def _tell(thermal: Thermal, sensor_off: float, guesses_air: bool) -> None:
    """Write down what others read; ``guesses_air``: where that is the sink."""
    bank = thermal.bank
    x = bank.x.reshape((COUNT, STATES))[HEALTHY]
    cov = bank.cov.reshape((COUNT, STATES, STATES))[HEALTHY]
    thermal.heat_scale = math.exp(x[LN_HEAT])
    thermal.case_scale = math.exp(x[LN_CASE])
    thermal.cooler_scale = math.exp(x[LN_COOLER])
    thermal.valve_shift_k = x[SHIFT]
    left = 0.0
    for place in (LN_HEAT, LN_COOLER):
        floor = priors.FLOOR_SD[place]
        left += 0.5 * (math.sqrt(cov[place, place]) - floor) / (priors.SD[place] - floor)
    thermal.learned = max(0.0, min(1.0, 1.0 - left))
    _put_together(bank, thermal, sensor_off, guesses_air)


@compiled
def _put_together(bank: Bank, thermal: Thermal, sensor_off: float, guesses_air: bool) -> None:
    """Write the probabilities as they are told, and what is left of the cooler.

    What two nodes get wrong is not in the bank's own odds (``DISCOUNT``). The last stretches say less of most
    faults and more of some; both judge by the same readings, so that the one that says more counts alone.
    """
    healthy = DISCOUNT * (GUESSED_AIR if guesses_air else 1.0) * bank.p[HEALTHY]
    weights, variances, total = np.empty(COUNT), np.empty(COUNT), 0.0
    for place in range(COUNT):
        by_stretches = healthy * thermal.stretches.odds[place]
        told = healthy if place == HEALTHY else bank.p[place]
        if place in (AIR, FLOW):
            told *= STARVED_BELIEVED
        weights[place] = max(told, by_stretches)
        thermal.number[place] = bank.x[place * STATES + FAULT]
        variances[place] = bank.cov[(place * STATES + FAULT) * STATES + FAULT]
        if by_stretches > told:
            thermal.number[place] = thermal.stretches.number[place]
            variances[place] = thermal.stretches.number_var[place]
        total += weights[place]
    for place in range(COUNT):
        thermal.p[place] = (1.0 - sensor_off) * weights[place] / total
    thermal.p[SENSOR] = sensor_off
    thermal.share, thermal.share_sd = share_left(weights, thermal.number, variances)
