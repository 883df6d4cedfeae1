"""What a cooling circuit may be: the hypotheses weighed side by side, and which circuit can be which."""

from __future__ import annotations

from models.fleet import Circuit

HEALTHY = 0
SHUT = 1  # nothing reaches the cooler: bypass valve, or the coolant's valve, stuck that way
LOW = 2  # too little heat is carried off: a valve stuck part-way, or a cause that is not known
OPEN = 3  # always to the cooler: bypass stuck to the cooler, or the coolant's valve stuck open
AIR = 4  # the cooler is starved of air
FLOW = 5  # the cooler is starved of fluid
SLIP = 6  # more heat is made, with the clutch locked, than the signals account for
SENSOR = 7  # the fluid's sensor is off: weighed by ``models.sensor_watch``, not by a filter
COUNT = 8

NAMES: tuple[str, ...] = ("healthy", "shut", "low", "open", "air", "flow", "slip", "sensor")
"""Short names, by place: as in the evidence of an alarm (``p_shut``)."""

_ALWAYS = (HEALTHY, LOW, FLOW, SLIP, SENSOR)


def possible(circuit: Circuit, *, coolant_valve: bool, air_cooler: bool) -> tuple[int, ...]:
    """Give the hypotheses that a circuit can have, in order.

    ``coolant_valve``: a coolant exchanger with a control valve; ``air_cooler``: a radiator tank that an
    air cooler follows.
    """
    added: tuple[int, ...] = ()
    if circuit == "thermostatic_bypass":
        added = (SHUT, OPEN, AIR)
    elif circuit == "full_flow" or (circuit == "radiator_tank" and air_cooler):
        added = (AIR,)
    elif circuit == "coolant_exchanger" and coolant_valve:
        added = (SHUT, OPEN)
    return tuple(sorted((*_ALWAYS, *added)))
