"""What today's detectors say of a recording: their alarms, and what they hold likely in between."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.course import Course, run
from models.detectors import DETECTORS
from models.fleet import Fleet, Limits, Vehicle
from models.hypotheses import HEALTHY
from models.kernel import KINDS, STATE
from models.layout import blank
from review.trucks import courses_of
from simulator.plan import Registration
from tests.bench.diagnosis.outcome import Alarm, Stated
from tests.bench.diagnosis.road import START_MS

PROBE_S = 600
"""How often the detectors are asked what they hold likely [s of samples]."""

NOT_FAULTS = frozenset({"over_temperature", "service_due", "gateway_silent"})
"""Alarm kinds that accuse no part of the cooling circuit and no sensor."""

_EVIDENCE = {detector.kind: detector.evidence for detector in DETECTORS}


def vehicle_of(told: Registration) -> Vehicle:
    """Give the truck as the fleet file has it; services are not the matter here."""
    return Vehicle(
        name=told.vehicle,
        circuit=told.circuit,
        coolant_valve=told.coolant_valve,
        air_cooler=told.air_cooler,
        thermal_class=told.truck_class,
        sensor=told.sensor,
        thermostat_open_c=told.thermostat_open_c,
        thermostat_full_c=told.thermostat_full_c,
        rated_torque_nm=told.rated_torque_nm,
        limits=Limits(service_distance_km=1e6, service_days=1e5),
    )


def cannot_have(told: Registration) -> frozenset[str]:
    """Name the alarms that would accuse a part which the truck does not have: its valve."""
    bypass = told.circuit == "thermostatic_bypass"
    has = {
        "bypass_stuck": bypass,
        "overcooled": bypass or told.coolant_valve,
        "coolant_valve_stuck": told.coolant_valve,
    }
    return frozenset(kind for kind, able in has.items() if not able)


def judge(
    samples: NDArray[Any], told: Registration
) -> tuple[tuple[Alarm, ...], tuple[Stated, ...]]:
    """Run the kernel over samples ``SAMPLE``, shape (n,)."""
    course, state = course_of(told), blank(STATE)
    alarms: list[Alarm] = []
    stated: list[Stated] = []
    slots = samples["time_ms"] // (1000 * PROBE_S)
    for part in np.split(samples, np.flatnonzero(np.diff(slots)) + 1):
        for block in run(course, state, part):
            alarms += came(block)
        probability = fault_probability(state)
        if probability is not None and len(part):
            second = _second(int(part["time_ms"][-1]))
            stated.append(Stated(second=second, probability=probability))
    return tuple(alarms), tuple(stated)


def course_of(told: Registration) -> Course:
    """Give what the kernel needs to know of a truck."""
    vehicle = vehicle_of(told)
    fleet = Fleet(vehicles={vehicle.name: vehicle})
    return courses_of(fleet, max_gap_s=300.0, silent_after_s=900.0)(vehicle.name, ())


def came(events: NDArray[Any]) -> list[Alarm]:
    """Give the episodes that began, of records ``EVENT``, shape (n,)."""
    return [_alarm(event) for event in events if _comes(event)]


def fault_probability(state: NDArray[Any]) -> float | None:
    """Read from a record ``STATE`` how likely it is held that something is wrong; None: not judged."""
    thermal = state[0]["truck"]["thermal"]
    if not thermal["started"]:
        return None
    weighed = "p" in thermal.dtype.names
    return 1.0 - float(thermal["p"][HEALTHY] if weighed else thermal["p_healthy"])


def _comes(event: Any) -> bool:
    """Say that an episode begins; a rise in priority is the same episode."""
    return bool(event["active"]) and int(event["time_ms"]) == int(event["onset_ms"])


def _alarm(event: Any) -> Alarm:
    kind = KINDS[int(event["kind"])]
    evidence = dict(zip(_EVIDENCE.get(kind, ()), event["evidence"], strict=False))
    return Alarm(
        kind=kind,
        second=_second(int(event["time_ms"])),
        probability=float(event["probability"]),
        p_slip=float(evidence.get("p_slip", 0.0)),
    )


def _second(time_ms: int) -> float:
    return (time_ms - START_MS) / 1000.0
