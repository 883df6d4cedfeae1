"""What the alarms of the cooling circuit share: when one is raised, its evidence, the words around it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

from models import circuit_words
from models.compiled import compiled
from models.detector import Detector, Truck
from models.hypotheses import AIR, COUNT, FLOW, LOW, NAMES, OPEN, SHUT
from models.layout import Layout
from models.units import Units
from models.words import WriteWords

LIKELIEST = 0.5
CLEARLY = 0.7
"""Share of the odds of all faults that one must have to be named [-], the second for what can wait."""

NEARLY = 0.4
HARDLY = 0.15
"""The first of these for a shut valve [-] where the cooler is thought to carry off less than the
second [-]: told late it costs a gearbox, told of another cause of the same an inspection. Found on the
tuning trucks."""

NEAR_K = 15.0
"""How far below the limit the fluid is where people are told sooner [K]; own choice."""

DOUBTED = 0.3
"""Probability of any fault below which a raised alarm is no longer upheld [-]."""

DROPPED = 0.1
"""Share of the odds of all faults below which a named one is no longer upheld [-]."""

EVIDENCE: tuple[str, ...] = (
    "fluid_temp_c",
    "expected_temp_c",
    "expected_sd_k",
    "cooler_share",
    "cooler_share_sd",
    "heat_kw",
    "ambient_temp_c",
    "coolant_temp_c",
    *(f"p_{name}" for name in NAMES),
    "suspected_since_unix_s",
    "cooler_flow_last_proven_unix_s",
    "coolant_cooled",
    "circuit_assumed",
    "valve_full_open_c",
    "learned",
    "slip_told",
    "cooler_out_temp_c",
    "cooler_return_temp_c",
)
"""Names of what ``show`` writes."""

ASSUMED = (
    "This truck is not in the fleet file and is taken for one with a thermal bypass valve; "
    "if it has none, its cooler does so for some other reason."
)
OFF = "A signal that is wrong (load or torque, outside air, coolant, a cooler line) would mislead this."

_FIRST_P = 8
_AFTER_P = _FIRST_P + COUNT


class Params(Layout):
    """When people are told [-], when it is dangerous [°C], and what of the truck the words need."""

    sure: float
    sure_near: float  # the same within ``NEAR_K`` of the limit
    sure_guessed: float  # the same while load must be guessed
    critical_c: float
    full_c: float
    coolant_cooled: int  # 1: the sink is the engine's coolant
    assumed: int  # 1: nobody has said which circuit the truck has


class State(Layout):
    """State: whether the alarm is upheld, and since when a fault is sure and not named."""

    upheld: int
    unnamed_ms: int


@compiled
def any_fault(truck: Truck) -> float:
    """Probability that the circuit has a fault [-]."""
    p = truck.thermal.p
    return float(p[SHUT] + p[LOW] + p[OPEN] + p[AIR] + p[FLOW])


@compiled
def shut_least(truck: Truck) -> float:
    """Give the share of the odds of all faults from which a shut valve is named [-]."""
    return NEARLY if truck.thermal.share < HARDLY else LIKELIEST


@compiled
def named(sure: float, state: State, truck: Truck, probability: float, least: float) -> int:
    """Say whether an alarm that names one fault is upheld, by the probability of that fault."""
    fault = any_fault(truck)
    if fault >= sure and probability >= least * fault:
        state.upheld = 1
    elif fault < DOUBTED or probability < DROPPED * fault:
        state.upheld = 0
    return state.upheld


@compiled
def is_hot(params: Params, truck: Truck) -> bool:
    """Say whether the fluid was dangerously hot when it was last read."""
    return bool(truck.latest.fluid_last_c >= params.critical_c)


@compiled
def near_limit(params: Params, truck: Truck) -> bool:
    """Say whether the fluid was near its limit when it was last read."""
    return bool(truck.latest.fluid_last_c >= params.critical_c - NEAR_K)


@compiled
def sure_of_lack(params: Params, truck: Truck) -> float:
    """Give the probability from which people are told of a lack of cooling [-].

    Near the limit of the fluid, where a sound circuit hardly ever is, what else is doubted plays no part.
    """
    if near_limit(params, truck):
        return float(params.sure_near)
    return float(params.sure_guessed if math.isnan(truck.latest.torque_nm) else params.sure)


@compiled
def show(params: Params, truck: Truck, evidence: dict[int, float]) -> None:
    """Write the evidence, in the order of ``EVIDENCE``."""
    thermal, view = truck.thermal, truck.latest
    evidence[0] = view.fluid_last_c  # a sample need not hold a reading
    evidence[1] = thermal.expectation.celsius if thermal.started == 1 else math.nan
    evidence[2] = thermal.expectation.sd_k if thermal.started == 1 else math.nan
    evidence[3] = thermal.share
    evidence[4] = thermal.share_sd
    evidence[5] = thermal.recent_kw
    evidence[6] = view.air_c
    evidence[7] = view.coolant_c
    for place in range(COUNT):
        evidence[_FIRST_P + place] = thermal.p[place]
    evidence[_AFTER_P] = thermal.suspect_ms / 1000.0
    evidence[_AFTER_P + 1] = thermal.observing.proven_ms / 1000.0
    evidence[_AFTER_P + 2] = params.coolant_cooled
    evidence[_AFTER_P + 3] = params.assumed
    evidence[_AFTER_P + 4] = params.full_c
    evidence[_AFTER_P + 5] = thermal.learned
    known = not (math.isnan(view.gear) or math.isnan(view.lockup))
    evidence[_AFTER_P + 6] = 1.0 if known or not math.isnan(view.slip_rpm) else 0.0
    evidence[_AFTER_P + 7] = thermal.bank.line_back.to_c
    evidence[_AFTER_P + 8] = thermal.bank.line_back.back_c


def seen(evidence: Mapping[str, float], units: Units) -> str:
    """Say what was seen: fluid, heat, air, and the cooler's lines where both are read."""
    air = evidence["ambient_temp_c"]
    outside = "" if math.isnan(air) else f", {units.degrees(air)} outside"
    return (
        f"Fluid at {units.degrees(evidence['fluid_temp_c'])}{outside}. "
        f"About {evidence['heat_kw']:.0f} kW of heat goes in.{_lines(evidence, units)}"
    )


def _lines(evidence: Mapping[str, float], units: Units) -> str:
    """Say how hot the fluid goes to the cooler and comes back; empty where either is not read."""
    out_c = evidence.get("cooler_out_temp_c", math.nan)
    back_c = evidence.get("cooler_return_temp_c", math.nan)
    if math.isnan(out_c + back_c):
        return ""
    said = f"The fluid goes to the cooler at {units.degrees(out_c)}"
    return f" {said} and comes back at {units.degrees(back_c)}."


def expected(evidence: Mapping[str, float], units: Units) -> str:
    """Say what a healthy circuit would show, and how well the truck is known."""
    told = circuit_words.expected(evidence, units)
    known = circuit_words.learned(evidence["learned"])
    return f"{told} {known[:1].upper()}{known[1:]}.".strip()


def doubts(evidence: Mapping[str, float], *, too_hot: bool) -> str:
    """Say what else it may be: another circuit than assumed, a valve half-way, heat that no signal tells."""
    said = [ASSUMED] if evidence["circuit_assumed"] else []
    if too_hot:
        said += [circuit_words.half_way(evidence), circuit_words.slip_unseen(evidence)]
    return " ".join(each for each in (*said, OFF) if each)


def around(evidence: Mapping[str, float], units: Units) -> dict[str, str]:
    """Give the parts that all words of the circuit share, as arguments of ``models.words.Words``."""
    return {
        "share": circuit_words.share(evidence) if evidence["p_open"] < 0.5 else "",
        "since": circuit_words.since(evidence, units),
        "proven": circuit_words.proven(evidence, units) if evidence["p_open"] < 0.5 else "",
        "rivals": circuit_words.rivals(evidence),
        "tells_apart": circuit_words.tells_apart(evidence),
    }


def circuit_alarm(
    kind: str, step: Callable[..., Any], words: WriteWords, *, on_delay_s: float = 0.0
) -> Detector:
    """Give the detector of one alarm of the circuit; ``on_delay_s`` [s] as ``models.detector`` has it."""
    return Detector(
        kind=kind,
        params=Params,
        state=State,
        evidence=EVIDENCE,
        step=step,
        on_delay_s=on_delay_s,
        off_delay_s=300.0,
        words=words,
        begins_again_with=("gearbox", "circuit"),
    )
