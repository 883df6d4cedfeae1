"""How the cooling circuit of a truck stands: what is judged, what was proven, what cannot be seen and why.

Silence is not health: what has not been seen to work lately is said to be so.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from models import circuit_words
from models.hypotheses import HEALTHY, NAMES, OPEN, SENSOR
from models.tell_apart import called
from models.units import Units

SENSOR_DOUBTED = "The fluid's sensor is in doubt, and with it all that it shows of the circuit."

LIKELY_FROM = 0.9
"""Probability from which a cause is no longer called "perhaps" [-]; own choice."""

SUSPECT_FROM = 0.2
"""Probability of a fault from which the likeliest cause is named though no alarm stands [-]; own choice, as
where an over-temperature is no longer called plain duty."""

NEEDED: Mapping[str, tuple[str, str]] = {
    "fluid_ms": ("fluid temperature", "nothing is watched without it"),
    "rpm_ms": ("engine speed", "the circuit cannot be judged without it"),
    "torque_ms": (
        "engine torque or load",
        "the heat made is guessed from road speed, faults show later and are named less often",
    ),
    "speed_ms": ("road speed", "the air through the cooler is not known, faults show later"),
    "air_ms": (
        "outside temperature",
        "taken from cold starts, the circuit is judged less surely",
    ),
}
COOLANT: Mapping[str, tuple[str, str]] = {
    "coolant_ms": ("coolant temperature", "this circuit cannot be judged without it"),
}
HELPFUL: Mapping[str, tuple[str, str]] = {
    "lockup_ms": (
        "lockup",
        "whether the converter makes heat is guessed from speed, many faults show hours later or not at all",
    ),
    "slip_ms": (
        "lockup slip",
        "estimated from engine and road speed where gear and lockup are sent, a little less surely",
    ),
}
"""Signals by their time in ``models.view.View``: what people call them, and what their absence costs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CircuitStanding:
    """The circuit of one truck.

    Times [Unix ms], None: never, or not so now. ``unseen_since_ms``: since when a fault would not show.
    ``learned``: how far this truck's own values are known, 0 to 1 [-]. ``causes``: probability by name
    (``models.hypotheses.NAMES``), empty while nothing was weighed. ``missing``: signals that are absent at
    the newest sample, with what that costs.
    """

    judged: bool
    proven_ms: int | None
    judged_ms: int | None
    unseen_since_ms: int | None
    suspect_ms: int | None
    learned: float
    causes: Mapping[str, float]
    coolant_cooled: bool
    missing: Mapping[str, str]

    @property
    def fault_probability(self) -> float:
        """Probability that the circuit is not healthy [-], 0 while nothing was weighed."""
        return 1.0 - self.causes.get(NAMES[HEALTHY], 1.0)

    @property
    def evidence(self) -> Mapping[str, float]:
        """The causes as the evidence of an alarm has them."""
        named = {f"p_{name}": share for name, share in self.causes.items()}
        return {**named, "coolant_cooled": float(self.coolant_cooled)}


def circuit_of(params: Any, truck: Any) -> CircuitStanding:
    """Read it from records ``models.kernel.PARAMS`` and ``models.detector.Truck``."""
    thermal = truck.thermal
    by_coolant = bool(params.over_temperature.coolant_cooled)
    causes = _causes(thermal)
    seen = thermal.observing
    judged_ms = int(seen.judged_ms)
    return CircuitStanding(
        judged=bool(causes),
        proven_ms=int(seen.proven_ms) or None,
        judged_ms=judged_ms or None,
        unseen_since_ms=int(seen.unseen_since_ms) or None,
        suspect_ms=int(thermal.suspect_ms) or None,
        learned=float(thermal.learned),
        causes=causes,
        coolant_cooled=by_coolant,
        missing=_missing(truck.latest, by_coolant),
    )


def circuit_lines(
    found: CircuitStanding, last_ms: int, units: Units
) -> Iterator[tuple[str, str]]:
    """Say it to a person: what each line is about, and what it says."""
    if not found.judged:
        yield "Circuit", "not judged: no drive yet whose signals would let it"
    else:
        yield "Circuit", f"{_seen(found, last_ms, units)} {_verdict(found)}"
        if found.fault_probability >= SUSPECT_FROM:
            yield "What tells", circuit_words.tells_apart(found.evidence)
        yield "Learned", circuit_words.learned(found.learned)
    if found.missing:
        costs = "; ".join(f"{name}: {cost}" for name, cost in found.missing.items())
        yield "Missing now", costs


def circuit_brief(found: CircuitStanding, last_ms: int, units: Units) -> str:
    """Say it in a few words, for a table."""
    if found.fault_probability >= SUSPECT_FROM:
        place, share = circuit_words.causes(found.evidence)[0]
        named = called(place, by_coolant=found.coolant_cooled)
        how = "likely" if share > LIKELY_FROM else "perhaps"
        return f"{how} {named} ({circuit_words.likely(share)})"
    if not found.judged or found.judged_ms is None:
        return "circuit not seen yet"
    if found.proven_ms is None:
        return "cooler flow not proven yet"
    return f"cooler flow proven {circuit_words.clock(found.proven_ms, units, last_ms)}"


def _seen(found: CircuitStanding, last_ms: int, units: Units) -> str:
    """Say what could be seen: a sensor in doubt proves no flow, a truck suspected for its cold was seen."""
    if found.proven_ms and found.causes.get(NAMES[SENSOR], 0.0) >= SUSPECT_FROM:
        return SENSOR_DOUBTED
    cold = found.causes.get(NAMES[OPEN], 0.0) >= SUSPECT_FROM
    return circuit_words.observability(
        proven_ms=found.proven_ms or 0,
        judged_ms=found.judged_ms or (last_ms if cold else 0),
        unseen_since_ms=0 if cold else found.unseen_since_ms or 0,
        now_ms=last_ms,
        units=units,
    )


def _verdict(found: CircuitStanding) -> str:
    """Name the causes that remain; a normal sump clears a valve only where flow was shown."""
    if found.fault_probability >= SUSPECT_FROM:
        return circuit_words.rivals(found.evidence)
    if "shut" in found.causes and found.proven_ms is None:
        return circuit_words.HALF_WAY
    return "No fault likely."


def _missing(view: Any, by_coolant: bool) -> Mapping[str, str]:
    asked = {**NEEDED, **(COOLANT if by_coolant else {}), **HELPFUL}
    return {name: cost for time, (name, cost) in asked.items() if int(getattr(view, time)) == 0}


def _causes(thermal: Any) -> Mapping[str, float]:
    if not thermal.started:
        return {}
    return {name: float(odd) for name, odd in zip(NAMES, thermal.p, strict=True) if odd > 0.0}
