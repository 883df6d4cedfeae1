"""What is known of the cooling circuit, in plain words: causes that remain, what would tell, what was proven.

Pure. The evidence of an alarm gives the numbers: ``p_healthy``, ``p_shut`` … (``models.hypotheses.NAMES``),
``coolant_cooled`` 1 where the circuit's valve sits in the coolant, ``cooler_share`` and ``cooler_share_sd``,
``expected_temp_c`` and ``expected_sd_k``, times in Unix seconds. What is missing is left out.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime

from models.hypotheses import AIR, FLOW, HEALTHY, LOW, NAMES, OPEN, SENSOR, SHUT, SLIP
from models.tell_apart import Look, look, telling
from models.units import Units

WORTH_NAMING = 0.02
"""Probability below which a cause is not named [-]; own choice."""

MOST_TESTS = 2
"""Ways of telling causes apart that are named at once [-]."""

HALF_WAY = (
    "A valve stuck half-way may never warm the sump and still starve what lies behind the cooler: a "
    "normal sump temperature does not clear it."
)
"""From a rebuilder's bulletin; holds for any circuit with a valve."""

SLIP_UNSEEN = (
    "More heat than the signals account for would look the same: a slipping lockup clutch, say, of which "
    "this truck's signals can tell nothing (it sends no slip, and not both gear and lockup state)."
)

CAUSES: Mapping[int, str] = {
    HEALTHY: "nothing wrong, only load and grade",
    SHUT: "bypass valve stuck, nothing reaches the cooler",
    LOW: "too little cooling, cause not clear",
    OPEN: "bypass valve stuck to the cooler",
    AIR: "cooler starved of air (debris, fan)",
    FLOW: "cooler starved of fluid (line or core pinched or blocked)",
    SLIP: "lockup clutch slipping and making heat",
    SENSOR: "fluid temperature sensor reading wrong",
}
COLD_AND_SOUND = "nothing wrong, only cold weather or a light load"
"""What health is called beside a fluid that stays too cold."""

BY_COOLANT: Mapping[int, str] = {
    SHUT: "coolant valve stuck shut, no coolant reaches the exchanger",
    OPEN: "coolant valve stuck open",
}


def causes(evidence: Mapping[str, float]) -> list[tuple[int, float]]:
    """Give what is worth naming with its probability, the likeliest first."""
    told = [(place, evidence.get(f"p_{name}", 0.0)) for place, name in enumerate(NAMES)]
    worth = [(place, share) for place, share in told if share >= WORTH_NAMING]
    return sorted(worth, key=lambda pair: -pair[1])


def cause(place: int, evidence: Mapping[str, float]) -> str:
    """Name one hypothesis for the circuit that the truck has."""
    if place == LOW and valved(evidence):
        return f"{CAUSES[LOW]} (perhaps a valve stuck part-way)"
    if place == HEALTHY and evidence.get("p_open", 0.0) >= WORTH_NAMING:
        return COLD_AND_SOUND
    if evidence.get("coolant_cooled", 0.0) > 0.0 and place in BY_COOLANT:
        return BY_COOLANT[place]
    return CAUSES[place]


def valved(evidence: Mapping[str, float]) -> bool:
    """Say whether the circuit has a valve: one without is never weighed for one that sticks."""
    return evidence.get("p_shut", 0.0) > 0.0 or evidence.get("p_open", 0.0) > 0.0


def half_way(evidence: Mapping[str, float]) -> str:
    """Say that a normal sump clears no valve, where one is in question; else empty."""
    doubted = max(evidence.get("p_shut", 0.0), evidence.get("p_low", 0.0))
    return HALF_WAY if valved(evidence) and doubted >= WORTH_NAMING else ""


def slip_unseen(evidence: Mapping[str, float]) -> str:
    """Say that a slipping clutch would heat as much, where no signal could show it; else empty."""
    return SLIP_UNSEEN if evidence.get("slip_told", 1.0) == 0.0 else ""


def likely(probability: float) -> str:
    """Write a probability; what is inferred is neither certain nor impossible."""
    if probability > 0.99:
        return "over 99%"
    return "under 1%" if probability < 0.01 else f"{probability:.0%}"


def rivals(evidence: Mapping[str, float]) -> str:
    """Say which causes remain, the likeliest first; empty where no probability is known."""
    named = [f"{cause(place, evidence)}: {likely(share)}" for place, share in causes(evidence)]
    return f"{_capital('; '.join(named))}." if named else ""


def tells_apart(evidence: Mapping[str, float]) -> str:
    """Say what would tell the likeliest causes apart, or confirm the only one; empty if nothing is known."""
    found = [place for place, _ in causes(evidence)]
    if not found:
        return ""
    by_coolant = evidence.get("coolant_cooled", 0.0) > 0.0
    groups: dict[str, tuple[Look, list[int]]] = {}
    for other in found[1:] or ([HEALTHY] if found[0] != HEALTHY else []):
        if at := look(found[0], other, by_coolant=by_coolant):
            groups.setdefault(at.at, (at, [found[0]]))[1].append(other)
    said = [telling(at, places, by_coolant=by_coolant) for at, places in groups.values()]
    return " ".join(said[:MOST_TESTS])


def share(evidence: Mapping[str, float]) -> str:
    """Say what the cooler carries of this truck's own healthy share; empty if not known."""
    value = evidence.get("cooler_share", math.nan)
    if math.isnan(value):
        return ""
    sd = evidence.get("cooler_share_sd", math.nan)
    band = ""
    if not math.isnan(sd):
        low, high = max(0.0, value - 1.28 * sd), value + 1.28 * sd
        band = f" (8 in 10: {low:.0%} to {high:.0%})"
    return f"The cooler carries about {max(0.0, value):.0%}{band} of what this truck's does when healthy."


def expected(evidence: Mapping[str, float], units: Units) -> str:
    """Say what the fluid would read now if the circuit were healthy; empty if not known."""
    celsius = evidence.get("expected_temp_c", math.nan)
    sd_k = evidence.get("expected_sd_k", math.nan)
    if math.isnan(celsius) or math.isnan(sd_k):
        return ""
    low, high = units.degrees(celsius - 1.28 * sd_k), units.degrees(celsius + 1.28 * sd_k)
    return (
        f"With a healthy circuit this truck would read about {units.degrees(celsius)} now "
        f"(8 in 10: {low} to {high})."
    )


def since(evidence: Mapping[str, float], units: Units) -> str:
    """Say since when a fault has been likelier than health; empty if it is not."""
    second = evidence.get("suspected_since_unix_s", 0.0)
    if not second > 0.0:
        return ""
    return f"A fault has been likelier than not since {clock(1000.0 * second, units)}."


def proven(evidence: Mapping[str, float], units: Units) -> str:
    """Say when the cooler was last shown to work, by the evidence of an alarm."""
    second = evidence.get("cooler_flow_last_proven_unix_s", math.nan)
    if math.isnan(second):
        return ""
    return _proven(round(1000.0 * second), units)


def observability(
    *, proven_ms: int, judged_ms: int, unseen_since_ms: int, now_ms: int, units: Units
) -> str:
    """Say what of the circuit can be seen now.

    Parameters
    ----------
    proven_ms, judged_ms
        When heat was last seen to go off through the cooler, and when a window could last have told a
        healthy circuit from one cut off [Unix ms], 0: never.
    unseen_since_ms
        Since when it cannot be told [Unix ms], 0: it can now.
    now_ms
        Time of the newest sample [Unix ms]; times of its day are written without the date.
    units
        Of the reader.
    """
    said = [_proven(proven_ms, units, now_ms)]
    if judged_ms == 0:
        said.append(
            "Not observable yet: it takes a hot drive under load, or the drop of the temperature after one."
        )
    elif unseen_since_ms > 0:
        said.append(
            f"Not observable since {clock(unseen_since_ms, units, now_ms)}: cool fluid or a light load "
            "looks the same with a fault and without."
        )
    return " ".join(said)


def learned(part: float) -> str:
    """Say how far this truck's own values are known, 0 (those of its class) to 1 [-]."""
    if part < 0.05:
        return "judged by the usual values of its class so far, this truck's own are not learned yet"
    if part < 0.9:
        return f"this truck's own values are learned to {part:.0%}, the rest is its class's"
    return "judged by this truck's own values"


def clock(time_ms: float, units: Units, now_ms: float = math.nan) -> str:
    """Write a moment: hours and minutes, with the day unless it is today's."""
    local = datetime.fromtimestamp(time_ms / 1000.0, units.zone)
    hour = f"{local:%H:%M}"
    if not math.isnan(now_ms) and units.day(time_ms) == units.day(now_ms):
        return hour
    return f"{units.day(time_ms, year=False)} {hour}"


def _proven(proven_ms: int, units: Units, now_ms: float = math.nan) -> str:
    if proven_ms <= 0:
        return "Cooler flow not proven yet."
    return f"Cooler flow last proven {clock(proven_ms, units, now_ms)}."


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
