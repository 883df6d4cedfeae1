"""The heat of one cooling circuit: fluid and metal, the case, the cooler and its valve.

Two nodes, fluid and metal, take the heat made; both lose some through the case, the fluid the rest through
the cooler:

    C_f dT/dt = 0.8 Q + G (M - T) - 0.4 A (T - air) - K (T - sink) - E Q_c
    C_m dM/dt = 0.2 Q - G (M - T) - 0.6 A (M - air)

The cooler is fed by the converter: of the heat made there, ``Q_c``, it takes its share ``E`` before the sump
sees it; ``E`` is ``K`` over the capacity rate of the pump's flow.
``K`` is two resistances in a row, the fluid's side and the sink's: starving either leaves the other. The
sink is outside air (``thermostatic_bypass``, ``full_flow``), the coolant (``coolant_exchanger``), the cold
tank of the radiator (``radiator_tank``), alone or with an air cooler after it. Source: lumped heat balance
(US 5,319,963 and theses on gearbox oil, by their abstracts); magnitudes are common practice, no source, and
give way to what the truck itself shows.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from models.compiled import compiled
from models.converter import CONVERTER_SHARE, taken_w
from models.cooler import AFTER_TANK, BY_TANK, case_at, conductance_w_k, grown, pumped, ram
from models.hypotheses import AIR, FLOW, HEALTHY, LOW, OPEN, SHUT, SLIP
from models.layout import Layout

# What is estimated, by place in the vector of one hypothesis.
FLUID = 0  # [°C]
METAL = 1  # [°C]
EXTRA = 2  # heat the signals do not tell, of minutes [kW]
LN_HEAT = 3  # ln of the scale of the heat made [-]
LN_CASE = 4  # ln of the scale of the case's conductance [-]
LN_COOLER = 5  # ln of the scale of the cooler's conductance [-]
SHIFT = 6  # how much hotter than stated the valve opens [K]
SINK = 7  # how much warmer than taken the sink is [K]
FAULT = 8  # what the hypothesis says of its fault
SITE = 9  # where the fluid is read, or the line to the cooler [°C]
LN_RISE = 10  # ln of the scale of that place's rise over the sump [-]
LN_CONVERTER = 11  # ln of the scale of the converter's share of the heat made [-]
LN_UNITS = 12  # ln of the scale of the cooler's number of transfer units [-]
STATES = 13

# What a window of driving was, by place.
SPAN_S = 0
HEAT_W = 1
CONVERTER_W = 2  # of it, made in the converter and its clutch [W]
LOCKED_W = 3  # power that went through the locked clutch [W]
AIR_C = 4
COOLANT_C = 5
SPEED_KM_H = 6
RPM = 7
DUTY = 8

BYPASS = 1
FULL_FLOW = 2
COOLANT = 3
COOLANT_VALVE = 4
TANK = 5
TANK_AND_AIR = 6

SUMP = 0
CONVERTER_OUT = 1
COOLER_LINE = 2

LEAK = 0.015
"""Share of the flow that passes a shut valve [-]; common practice, no source: 0 to 3 %."""

VALVE_POWER = 1.4
"""Power of its opening that the flow through a wax valve goes with [-]; common practice, no source: a sleeve
uncovers its port little by little. A straight line takes most healthy valves for ones that stick as they
begin to open."""

VALVE_DOUBT, FOOT_DOUBT = 0.3, 0.04
"""How far a valve part-way open may be from where it is taken to be, as a share of that and of the whole way
[-]: no two open along the same line, and wax does not begin to at the same place. Own choice; without the
first a valve of another shape passes for a cooler that has lost half, without the second for one that is
stuck."""

LINE_FOLLOWS_PER_S = 0.08
"""How fast the line to the cooler follows what flows into it, at the usual flow [1/s]; own choice."""

FLUID_HEAT = 0.8
"""Share of the heat made that goes to the fluid first [-]; own choice, learned scales make up for it."""

PAN = 0.4
"""Share of the case's conductance that is the pan's [-]; own choice."""

VALVE_LAG_S = 35.0
"""Time constant of the wax element [s]; common practice, no source: 10 to 60 s."""

PLAY_K = 4.0
"""How much colder than on its way up a wax valve closes [K]; common practice, no source: 3 to 8 K."""

SINK_RISE_K = 4.0
"""How much warmer than outside air the air before the cooler is [K]; common practice, no source."""

TANK_DROP_K = 6.0
"""How much colder than the engine's coolant the radiator's cold tank is [K]; common practice, no source."""

SITE_LAG_S = 5.0
"""Time constant of a sensor in the converter's outlet, beside the converter's own (``models.thermal``) [s];
own choice."""

LONGEST_STEP_S = 15.0
"""Longest step of the balance [s]: the fastest node has some two minutes."""

STANDING_FLOW = 0.3
"""Share of the conductance between fluid and metal that is left with the pump at rest [-]; own choice."""


class CircuitParams(Layout):
    """What the truck's class and the fleet file say of its circuit."""

    kind: int  # ``BYPASS`` …, 0: nothing is known
    site: int  # where the fluid is read: ``SUMP`` …
    fluid_j_k: float
    metal_j_k: float
    fluid_metal_w_k: float
    case_w_k: float  # to outside air at 60 km/h [W/K]
    cooler_w_k: float  # of the open cooler at 60 km/h [W/K]
    flow_w_k: float  # capacity rate of the pump's flow at 1,700 rpm, warm [W/K]
    open_c: float
    full_c: float
    core_ln: float  # ln of the size of the cooler's core relative to that fitted [-]


@compiled
def regulates(params: CircuitParams) -> bool:
    """Say whether a valve makes up for what the cooler lacks."""
    return bool(params.kind == BYPASS or params.kind == COOLANT_VALVE)


@compiled
def read_at(params: CircuitParams) -> int:
    """Place in the state that the fluid's sensor reads."""
    return FLUID if params.site == SUMP else SITE


@compiled
def opening(celsius: float, open_c: float, full_c: float) -> float:
    """Share of the way that a healthy valve is open with its element at a temperature [-]."""
    return min(1.0, max(0.0, (celsius - open_c) / (full_c - open_c)))


@compiled
def passed(
    params: CircuitParams, hypothesis: int, element_c: float, shift_k: float, before: float
) -> float:
    """Share of the way that the valve is open under a hypothesis, 1 for a circuit without one [-].

    ``before``: how far it was open; the sleeve moves only when the element has taken up its play.
    """
    if not regulates(params):
        return 1.0
    if hypothesis == SHUT:
        return LEAK
    if hypothesis == OPEN:
        return 1.0
    rising = opening(element_c, params.open_c + shift_k, params.full_c + shift_k)
    falling = opening(element_c + PLAY_K, params.open_c + shift_k, params.full_c + shift_k)
    return max(LEAK, min(max(before, rising), falling))


@compiled
def through(share: float) -> float:
    """Share of the flow that passes a bypass valve to the cooler, open by a share of the way [-]."""
    flow: float = max(LEAK, share**VALVE_POWER)
    return flow


@compiled
def doubted(params: CircuitParams, share: float) -> float:
    """How far a valve may be open that is taken to be open by ``share`` [-]; at the ends that is sure."""
    if not regulates(params) or not LEAK < share < 1.0:
        return share
    foot = FOOT_DOUBT if params.kind == BYPASS else 0.0
    return min(1.0, (1.0 + VALVE_DOUBT) * share + foot)


@compiled
def _cooler(
    params: CircuitParams,
    hypothesis: int,
    fault: float,
    share: float,
    pump: float,
    air: float,
) -> tuple[float, float]:
    """Conductance to the coolant and to outside air [W/K] with the valve open by ``share``."""
    fluid = pump
    if hypothesis == FLOW:
        fluid *= math.exp(fault)
    if hypothesis == AIR:
        air *= math.exp(fault)
    scale = params.cooler_w_k * (math.exp(fault) if hypothesis == LOW else 1.0)
    if params.kind == BYPASS:
        fluid *= through(share)
    more = scale * grown(params.core_ln, params.cooler_w_k / params.flow_w_k, fluid)
    if params.kind == BYPASS or params.kind == FULL_FLOW:
        return 0.0, conductance_w_k(more, fluid, air)
    if params.kind == TANK_AND_AIR:  # a bigger one is the air cooler
        by_tank = BY_TANK * conductance_w_k(scale, fluid, 1.0)
        return by_tank, AFTER_TANK * conductance_w_k(more, fluid, air)
    return conductance_w_k(more, fluid, share), 0.0


@compiled
def made_w(duty: NDArray[np.float64], x: NDArray[np.float64]) -> tuple[float, float]:
    """Heat made in a window, and of it in the converter [W]."""
    scale = math.exp(x[LN_HEAT])
    converter_w = CONVERTER_SHARE * math.exp(x[LN_CONVERTER]) * scale * duty[CONVERTER_W]
    rest_w = scale * (duty[HEAT_W] - duty[CONVERTER_W])
    return rest_w + converter_w + 1000.0 * x[EXTRA], converter_w


@compiled
def run(
    params: CircuitParams,
    hypothesis: int,
    duty: NDArray[np.float64],
    x: NDArray[np.float64],
    valve: NDArray[np.float64],
) -> None:
    """Run one hypothesis through a window of driving.

    Parameters
    ----------
    params
        Of the truck.
    hypothesis
        ``models.hypotheses``.
    duty
        Means over the window, shape (``DUTY``,).
    x
        State at its beginning, shape (``STATES``,); changed in place to that at its end.
    valve
        Temperature of the valve's element [°C] and how far it is open [-], shape (2,); changed in place.
    """
    steps = max(1, math.ceil(duty[SPAN_S] / LONGEST_STEP_S))
    dt_s = duty[SPAN_S] / steps
    speed, rpm = duty[SPEED_KM_H], duty[RPM]
    fault = x[FAULT]
    heat_w, converter_w = made_w(duty, x)
    if hypothesis == SLIP:
        heat_w += fault * duty[LOCKED_W]
    case_w_k = math.exp(x[LN_CASE]) * case_at(params.case_w_k, speed)
    pump = pumped(rpm, x[FLUID])
    air = ram(speed)
    scale = math.exp(x[LN_COOLER])
    flow_w_k = params.flow_w_k * pump
    between = params.fluid_metal_w_k * (1.0 if rpm >= 1.0 else STANDING_FLOW)
    coolant_c, air_c = sinks_c(params, duty, x)
    sink_c = air_c + SINK_RISE_K
    follow = 1.0 - math.exp(-dt_s / VALVE_LAG_S)
    share = valve[1]
    for _ in range(steps):
        share = passed(params, hypothesis, valve[0], x[SHIFT], share)
        to_coolant, to_air = _cooler(params, hypothesis, fault, share, pump, air)
        between_w = between * (x[METAL] - x[FLUID])
        lost_w = PAN * case_w_k * (x[FLUID] - air_c)
        carried_w = scale * (to_coolant * (x[FLUID] - coolant_c) + to_air * (x[FLUID] - sink_c))
        carried_w += taken_w(converter_w, scale * (to_coolant + to_air), flow_w_k)
        metal_w = (1.0 - PAN) * case_w_k * (x[METAL] - air_c)
        before_c = x[FLUID]
        x[FLUID] += (
            dt_s * (FLUID_HEAT * heat_w + between_w - lost_w - carried_w) / params.fluid_j_k
        )
        x[METAL] += (
            dt_s * ((1.0 - FLUID_HEAT) * heat_w - between_w - metal_w) / params.metal_j_k
        )
        valve[0] += (0.5 * (before_c + x[FLUID]) - valve[0]) * follow
    valve[1] = share
    _site(params, duty, x, share if params.kind == BYPASS else 1.0, pump)


@compiled
def carried_w(
    params: CircuitParams, duty: NDArray[np.float64], x: NDArray[np.float64], share: float
) -> float:
    """Heat that the healthy cooler carries off at a state, its valve open by ``share`` [W]."""
    pump, air = pumped(duty[RPM], x[FLUID]), ram(duty[SPEED_KM_H])
    to_coolant, to_air = _cooler(params, int(HEALTHY), 0.0, share, pump, air)
    coolant_c, air_c = sinks_c(params, duty, x)
    scale = math.exp(x[LN_COOLER])
    by_air = to_air * (x[FLUID] - air_c - SINK_RISE_K)
    carried: float = scale * (to_coolant * (x[FLUID] - coolant_c) + by_air)
    return carried


@compiled
def sinks_c(
    params: CircuitParams, duty: NDArray[np.float64], x: NDArray[np.float64]
) -> tuple[float, float]:
    """Temperature of the coolant at the exchanger, and of the outside air [°C]."""
    air_c, coolant_c = duty[AIR_C], duty[COOLANT_C]
    if params.kind == TANK or params.kind == TANK_AND_AIR:
        coolant_c -= TANK_DROP_K
    if params.kind >= COOLANT:
        return coolant_c + x[SINK], air_c
    return coolant_c, air_c + x[SINK]


@compiled
def _site(
    params: CircuitParams,
    duty: NDArray[np.float64],
    x: NDArray[np.float64],
    share: float,
    pump: float,
) -> None:
    """Let the place where the fluid is read follow the sump.

    Beyond the converter it is hotter by the heat made there; in the line to the cooler it follows as far as
    anything flows.
    """
    if pump <= 0.0:
        x[SITE] += (x[FLUID] - x[SITE]) * (1.0 - math.exp(-duty[SPAN_S] / 900.0))
        return
    converter_w = made_w(duty, x)[1]
    hot_c = x[FLUID] + math.exp(x[LN_RISE]) * converter_w / (params.flow_w_k * pump)
    if params.site == CONVERTER_OUT:
        x[SITE] += (hot_c - x[SITE]) * (1.0 - math.exp(-duty[SPAN_S] / SITE_LAG_S))
        return
    flowing = LINE_FOLLOWS_PER_S * through(share) * pump
    lost = 0.0006
    goal_c = (flowing * hot_c + lost * duty[AIR_C]) / (flowing + lost)
    x[SITE] += (goal_c - x[SITE]) * (1.0 - math.exp(-duty[SPAN_S] * (flowing + lost)))
