"""What an over-temperature says to a person: how hot, where it is going, duty or a fault."""

from __future__ import annotations

import math
from collections.abc import Mapping

from models import circuit_words
from models.cautions import AT_THE_FLUID, HANDS_OFF, IDLE_OR_OFF, SMOKE, STOP_SAFELY
from models.units import Units
from models.words import Words

HEALTHY_BELOW = 0.2
"""Probability of a fault of the circuit below which the heat is called duty [-]; own choice."""

RECENTLY_MIN = 30.0
"""Age up to which the last look at the cooling circuit counts [min]; own choice."""

FARTHEST_MIN = 60.0
"""Forecasts beyond this are not told [min]: no grade is that long."""

LEAST_RISE_K_MIN = 0.75
"""Rise from which it is spoken of [K/min]: less would be written as nothing a minute."""

_ACTION = (
    "Ease off: lower gear, less speed, less load on the next trip. If it keeps "
    "climbing, stop where it is safe; then, unless the truck's manual says otherwise, put the "
    "gearbox in Park or Neutral and let the engine run at a raised idle so that pump and fan "
    "cool the fluid."
)

_ACTION_AT_FAULT = (
    "Take the load off and stop where it is safe; do not finish the climb: the cooling circuit may not "
    "help. Once it stands, put the gearbox in Park or Neutral and let the engine run at a raised idle; if "
    "the fluid does not cool, switch off and let it stand. The truck's manual comes first."
)


def words(evidence: Mapping[str, float], units: Units) -> Words:
    """Say it to a person."""
    now = units.degrees(evidence["fluid_temp_c"])
    soon, fault = _soon(evidence), _fault(evidence)
    title = f"Transmission fluid too hot: {now}"
    if soon:
        title = f"Transmission fluid at {now} and soon too hot"
    return Words(
        title=title,
        observed=" ".join(
            part for part in (_seen(evidence, units), _ahead(evidence, units)) if part
        ),
        expected=f"Below {units.degrees(evidence['limit_c'])} on any load this truck should pull.",
        doubts=_doubts(evidence),
        action=_ACTION_AT_FAULT if fault else _ACTION,
        driver=(STOP_SAFELY, IDLE_OR_OFF, HANDS_OFF, SMOKE),
        technician=AT_THE_FLUID,
        brief=f"Fluid {now}, soon too hot" if soon else f"Fluid too hot, {now}",
        at_once="Take the load off, stop where it is safe, do not finish the climb"
        if fault
        else "Ease off; if it climbs on, stop where safe, Neutral, raised idle",
        rivals=circuit_words.rivals(evidence) if fault else "",
        tells_apart=circuit_words.tells_apart(evidence) if fault else "",
    )


def _soon(evidence: Mapping[str, float]) -> bool:
    """Say that the fluid is not beyond its limit yet."""
    return (
        evidence.get("foreseen", 0.0) > 0.0 and evidence["fluid_temp_c"] < evidence["limit_c"]
    )


def _seen(evidence: Mapping[str, float], units: Units) -> str:
    rise_k_min = evidence.get("rise_k_min", math.nan)
    rising = ""
    if rise_k_min >= LEAST_RISE_K_MIN:
        rising = f", rising {units.difference(rise_k_min)} a minute"
    heat = ""
    if not math.isnan(evidence["heat_kw"]):
        heat = f"; about {evidence['heat_kw']:.0f} kW of heat going into the gearbox"
    if _soon(evidence):
        return f"Fluid at {units.degrees(evidence['fluid_temp_c'])}{rising}{heat}."
    return (
        f"Fluid above {units.degrees(evidence['limit_c'])} for "
        f"{evidence['minutes_above_limit']:.0f} min, up to "
        f"{units.degrees(max(evidence['peak_temp_c'], evidence['fluid_temp_c']))}{rising}{heat}."
    )


def _ahead(evidence: Mapping[str, float], units: Units) -> str:
    """Say when the next level is passed if the load stays as it is."""
    likely = evidence.get("minutes_to_next_limit", math.nan)
    soonest = evidence.get("minutes_to_next_limit_soonest", math.nan)
    latest = evidence.get("minutes_to_next_limit_latest", math.nan)
    level = units.degrees(evidence.get("next_limit_c", math.nan))
    if likely <= FARTHEST_MIN:
        return f"At this load it passes {level} in about {_minutes(likely)}{_band(soonest, likely, latest)}."
    if soonest <= FARTHEST_MIN:
        return f"At this load it may pass {level} in {_minutes(soonest)} or later, or level off before."
    return ""


def _band(soonest: float, likely: float, latest: float) -> str:
    """Give the band, unless it is too narrow to be worth a word."""
    first = f"{min(soonest, likely):.0f}"
    if math.isnan(latest):
        return f" ({first} or more, if at all)"
    last = f"{max(latest, likely):.0f}"
    return "" if first == last else f" ({first} to {last})"


def _minutes(minutes: float) -> str:
    return f"{max(1.0, minutes):.0f} min"


def _fault(evidence: Mapping[str, float]) -> bool:
    """Say that the circuit was judged lately and is not clearly healthy."""
    recent = evidence["circuit_judged_minutes_ago"] <= RECENTLY_MIN
    return recent and evidence["circuit_fault_probability"] >= HEALTHY_BELOW


def _doubts(evidence: Mapping[str, float]) -> str:
    """Tell duty from a fault, where that can be told."""
    if evidence.get("sensor_suspect", 0.0) > 0.0:
        return (
            "The fluid's sensor is suspect, see its own alarm: the fluid may be cooler than it says. Take "
            "it for hot until a second reading says otherwise."
        )
    if not evidence["circuit_judged_minutes_ago"] <= RECENTLY_MIN:
        return (
            "Load and grade, or the cooling circuit: this truck's signals do not show whether "
            "its cooler carries its share."
        )
    if not _fault(evidence):
        return "The cooling circuit carries its share: this is load and grade, not a fault."
    return "The cooling circuit may be at fault: see its own alarm, if there is one."
