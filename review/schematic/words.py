"""A circuit drawing in sentences, for whoever cannot see it, or would rather read. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from models import circuit_words
from models.hypotheses import NAMES
from models.units import Units
from review.board_row import TruckLive, Valve, opening_word
from review.circuit_standing import SUSPECT_FROM, CircuitStanding, circuit_lines

KINDS = {
    "thermostatic_bypass": "a thermal bypass valve before the cooler",
    "full_flow": "a cooler that all fluid goes through",
    "coolant_exchanger": "an exchanger in the engine's coolant",
    "radiator_tank": "a tank in the radiator",
}
COOLERS = {"stacked_plate": "stacked plate cooler", "tube_and_fin": "tube and fin cooler"}
_STANDS = {"shut": "shut", "partly": "part-way open", "open": "open"}


def kind_of(truck: TruckLive) -> str:
    """Name a truck's circuit."""
    told = KINDS[truck.circuit]
    if truck.vehicle.coolant_valve:
        return f"{told}, with a valve in the coolant"
    if truck.vehicle.air_cooler:
        return f"{told}, and an air cooler after it ({COOLERS[truck.vehicle.cooler]})"
    if truck.circuit in ("thermostatic_bypass", "full_flow"):
        return f"{told} ({COOLERS[truck.vehicle.cooler]})"
    return told


def circuit_told(truck: TruckLive, units: Units) -> tuple[str, ...]:
    """Say in sentences what the drawing shows."""
    return tuple(part for part in _told(truck, units) if part)


def _told(truck: TruckLive, units: Units) -> Iterator[str]:
    yield _fluid(truck, units)
    if truck.signals is not None and truck.signals.rpm == 0.0:
        yield "The engine is off and nothing flows: the drawing shows the circuit as it was last weighed."
    yield _expected(truck, units)
    if truck.valve is not None:
        yield _valve(truck, truck.valve)
    elif truck.circuit_standing is not None and not truck.vehicle.coolant_valve:
        yield "This circuit has no valve: all fluid goes to where it is cooled."
    yield _suspected(truck.circuit_standing)


def observed(truck: TruckLive, units: Units) -> tuple[tuple[str, str], ...]:
    """Say what was proven of the circuit, what cannot be seen, and what would tell: about and text."""
    found = truck.circuit_standing
    if found is None or truck.last_ms is None:
        return ()
    return tuple(circuit_lines(found, truck.last_ms, units))


def _fluid(truck: TruckLive, units: Units) -> str:
    where = truck.vehicle.sensor.replace("_", " ")
    if truck.signals is None or truck.last_ms is None:
        return "Nothing was heard of this truck yet."
    at = circuit_words.clock(truck.last_ms, units, truck.last_ms)
    if truck.signals.fluid_c is None:
        return f"The fluid's temperature was not sent at {at}."
    return (
        f"Fluid {units.degrees(truck.signals.fluid_c)} by the sensor in the {where}, at {at}."
    )


def _expected(truck: TruckLive, units: Units) -> str:
    if truck.expected_c is None or truck.expected_sd_k is None:
        return ""
    return circuit_words.expected(
        {"expected_temp_c": truck.expected_c, "expected_sd_k": truck.expected_sd_k}, units
    )


def _valve(truck: TruckLive, valve: Valve) -> str:
    name = "coolant valve" if truck.vehicle.coolant_valve else "bypass valve"
    odds = circuit_words.likely(valve.odds[valve.word])
    told = f"The {name} is most likely {_STANDS[valve.word]} ({odds})"
    if valve.word == opening_word(valve.healthy_share):
        return f"{told}, where a healthy one would be now: {_means(truck, valve)}."
    return f"{told}: {_means(truck, valve)}. A healthy one would be {valve.healthy_share:.0%} open now."


def _means(truck: TruckLive, valve: Valve) -> str:
    if truck.vehicle.coolant_valve:
        return {
            "shut": "hardly any coolant reaches the exchanger",
            "partly": "some coolant reaches the exchanger",
            "open": "coolant flows through the exchanger",
        }[valve.word]
    return {
        "shut": "hot fluid goes back to the gearbox, past the cooler",
        "partly": "a part of the fluid goes to the cooler",
        "open": "hot fluid goes to the cooler",
    }[valve.word]


def _suspected(found: CircuitStanding | None) -> str:
    if found is None or not found.judged:
        return "Nothing of the circuit is judged yet."
    faults = {name: odd for name, odd in found.causes.items() if name != NAMES[0]}
    if found.fault_probability < SUSPECT_FROM or not faults:
        return ""
    name = max(faults, key=lambda each: faults[each])
    cause = circuit_words.cause(NAMES.index(name), found.evidence)
    return f"Suspected, and marked with a triangle: {cause} ({circuit_words.likely(faults[name])})."
