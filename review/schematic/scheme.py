"""What a circuit drawing shows: where hot fluid goes, how sure that is, where a fault may sit. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from models import circuit_words
from models.fleet import Sensor
from models.hypotheses import FLOW, HEALTHY, NAMES
from models.units import Units
from review.board_row import TruckLive, Valve, has_valve
from review.circuit_standing import SUSPECT_FROM
from review.schematic.pen import Flow

SURE_FROM = 0.8
"""Probability from which a valve's place is drawn as it is; below it is drawn as not sure [-]; own choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scheme:
    """One circuit.

    ``valve``: ``shut``, ``partly`` or ``open``, ``unsure`` where that is not known; empty for a circuit
    without one. ``to_sink``: how much of the fluid (of the coolant, where the valve is in it) gets to where
    it is cooled. ``suspect``: the short name of the likeliest fault, empty where none is likely enough.
    Temperatures are written, empty where not known. ``judged``: it was weighed at all.
    """

    circuit: str
    judged: bool
    coolant_valve: bool
    air_cooler: bool
    cooler: str
    sensor: Sensor
    valve: str
    valve_sure: str
    to_sink: Flow
    suspect: str
    suspect_sure: str
    fluid: str
    line_out: str
    line_return: str
    air: str
    coolant: str
    proven: str


def scheme_of(truck: TruckLive, units: Units) -> Scheme:
    """Read it from a truck as the board has it."""
    vehicle, signals, found = truck.vehicle, truck.signals, truck.circuit_standing
    causes = {} if found is None else found.causes
    suspect, sure = _suspect(dict(causes))
    valve = _valve_word(truck.valve)

    def degrees(celsius: float | None) -> str:
        return "" if celsius is None else units.degrees(celsius)

    proven_ms = None if found is None else found.proven_ms
    return Scheme(
        circuit=vehicle.circuit,
        judged=bool(causes),
        coolant_valve=vehicle.coolant_valve,
        air_cooler=vehicle.air_cooler,
        cooler=vehicle.cooler,
        sensor=vehicle.sensor,
        valve=valve if truck.valve is not None else _unknown_valve(truck),
        valve_sure="" if truck.valve is None else _sure(truck.valve),
        to_sink=_to_sink(valve if truck.valve else "", suspect, judged=bool(causes)),
        suspect=suspect,
        suspect_sure=sure,
        fluid=degrees(signals.fluid_c if signals else None),
        line_out=degrees(signals.line_out_c if signals else None),
        line_return=degrees(signals.line_return_c if signals else None),
        air=degrees(signals.air_c if signals else None),
        coolant=degrees(signals.coolant_c if signals else None),
        proven=""
        if proven_ms is None
        else circuit_words.clock(proven_ms, units, truck.last_ms or proven_ms),
    )


def _valve_word(valve: Valve | None) -> str:
    if valve is None:
        return ""
    return valve.word if valve.odds[valve.word] >= SURE_FROM else "unsure"


def _unknown_valve(truck: TruckLive) -> str:
    """A valve that nothing is known of is there all the same."""
    return "unsure" if has_valve(truck.vehicle) else ""


def _sure(valve: Valve) -> str:
    return circuit_words.likely(valve.odds[valve.word])


def _to_sink(valve: str, suspect: str, *, judged: bool) -> Flow:
    if not judged or valve == "unsure":
        return Flow.UNSURE
    if valve == "shut":
        return Flow.HARDLY
    if valve == "partly" or suspect == NAMES[FLOW]:
        return Flow.SOME
    return Flow.ALL


def _suspect(causes: dict[str, float]) -> tuple[str, str]:
    """Give the likeliest fault where any is likely enough, and how likely."""
    faults = {name: odd for name, odd in causes.items() if name != NAMES[HEALTHY]}
    if not faults or sum(faults.values()) < SUSPECT_FROM:
        return "", ""
    name = max(faults, key=lambda each: faults[each])
    return name, circuit_words.likely(faults[name])
