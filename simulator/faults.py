"""Faults that can be injected, each at a stated time, with the truth written beside."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from simulator.physics.thermal import Effects

Place = Literal["truck", "sensor", "gateway"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultKind:
    """Where a fault sits, what its size means and the size it has when none is given."""

    place: Place
    size: float
    meaning: str


KINDS: Mapping[str, FaultKind] = {
    "bypass_stuck": FaultKind(place="truck", size=1.0, meaning="share of the opening lost"),
    "stuck_to_cooler": FaultKind(place="truck", size=1.0, meaning="least opening"),
    "cooler_starved": FaultKind(place="truck", size=0.9, meaning="share of the air lost"),
    "cooler_flow": FaultKind(place="truck", size=0.8, meaning="share of the fluid flow lost"),
    "lockup_slip": FaultKind(place="truck", size=200.0, meaning="slip added [1/min]"),
    "coolant_valve_stuck": FaultKind(place="truck", size=0.0, meaning="opening it is stuck at"),
    "sensor_frozen": FaultKind(place="sensor", size=0.0, meaning="none: the last value stays"),
    "sensor_drift": FaultKind(place="sensor", size=4.0, meaning="drift [signal unit per hour]"),
    "sensor_bias": FaultKind(place="sensor", size=8.0, meaning="offset [signal unit]"),
    "sensor_noise": FaultKind(place="sensor", size=6.0, meaning="added noise [signal unit]"),
    "sensor_dropout": FaultKind(place="sensor", size=0.7, meaning="share of values missing"),
    "ambient_missing": FaultKind(place="sensor", size=0.0, meaning="none: never sent"),
    "gateway_silent": FaultKind(place="gateway", size=0.0, meaning="none: stores, sends later"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault of one truck; times in seconds after the start of the simulation.

    ``size`` means what ``KINDS`` says for the kind; ``ramp_s`` lets it grow from nothing;
    ``signal`` names the sensor of a sensor fault.
    """

    kind: str
    since_s: float
    until_s: float | None = None
    size: float | None = None
    ramp_s: float = 0.0
    signal: str = "fluid_temp_c"

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"no fault is called {self.kind!r}; there are {', '.join(KINDS)}")

    @property
    def place(self) -> Place:
        """Which part of the simulator carries it out."""
        return KINDS[self.kind].place

    @property
    def full_size(self) -> float:
        """Size when fully grown."""
        return KINDS[self.kind].size if self.size is None else self.size

    def strength(self, elapsed_s: float) -> float:
        """Share of the fault present: 0 outside its time, growing to 1 over the ramp."""
        if elapsed_s < self.since_s or (self.until_s is not None and elapsed_s >= self.until_s):
            return 0.0
        if self.ramp_s <= 0.0:
            return 1.0
        return min((elapsed_s - self.since_s) / self.ramp_s, 1.0)


def apply_to_truck(faults: Sequence[Fault], elapsed_s: float, effects: Effects) -> None:
    """Set the effects of a truck's faults at this moment."""
    effects.clear()
    for fault in faults:
        strength = fault.strength(elapsed_s)
        if strength <= 0.0:
            continue
        size = fault.full_size
        if fault.kind == "bypass_stuck":
            effects.valve_high = 1.0 - size * strength
        elif fault.kind == "stuck_to_cooler":
            effects.valve_low = size * strength
        elif fault.kind == "cooler_starved":
            effects.air = 1.0 - size * strength
        elif fault.kind == "cooler_flow":
            effects.flow = 1.0 - size * strength
        elif fault.kind == "lockup_slip":
            effects.slip_rpm = size * strength
        elif fault.kind == "coolant_valve_stuck":
            effects.coolant_valve = size
