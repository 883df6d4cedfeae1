"""What a fleet is told of its cooling circuits: silence is not health, and what is missing has its price."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from models.kernel import STATE, advance
from models.layout import blank, record
from models.units import METRIC
from review.circuit_standing import (
    CircuitStanding,
    circuit_brief,
    circuit_lines,
    circuit_of,
)
from tests.models.fills import fill_params
from tests.recorded import HOUR_MS, MINUTE_MS, NOON_MS, climb, records

LAST_MS = NOON_MS + 3 * HOUR_MS
PROVEN_MS = NOON_MS + 2 * HOUR_MS + 32 * MINUTE_MS


def standing(**changed: Any) -> CircuitStanding:
    usual: dict[str, Any] = {
        "judged": True,
        "proven_ms": PROVEN_MS,
        "judged_ms": PROVEN_MS,
        "unseen_since_ms": None,
        "suspect_ms": None,
        "learned": 0.5,
        "causes": {"healthy": 0.998, "shut": 0.001, "low": 0.001},
        "coolant_cooled": False,
        "missing": {},
    }
    return CircuitStanding(**{**usual, **changed})


def told(**changed: Any) -> Mapping[str, str]:
    return dict(circuit_lines(standing(**changed), LAST_MS, METRIC))


STUCK = {"healthy": 0.05, "shut": 0.9, "low": 0.05}


def test_a_healthy_truck_says_when_its_cooler_was_last_seen_to_work() -> None:
    said = told()
    assert said["Circuit"] == "Cooler flow last proven 14:32. No fault likely."
    assert "learned to 50%" in said["Learned"]
    assert set(said) == {"Circuit", "Learned"}
    assert circuit_brief(standing(), LAST_MS, METRIC) == "cooler flow proven 14:32"


def test_what_cannot_be_seen_is_said_and_a_normal_sump_clears_nothing() -> None:
    assert "Not observable since 14:32" in told(unseen_since_ms=PROVEN_MS)["Circuit"]
    never = told(proven_ms=None, judged_ms=None)["Circuit"]
    assert "Cooler flow not proven yet. Not observable yet" in never
    assert "a normal sump temperature does not clear it" in never
    assert "does not clear it" not in told()["Circuit"]


def test_a_circuit_without_a_valve_is_not_said_to_have_one() -> None:
    said = told(causes={"healthy": 1.0, "low": 0.0}, proven_ms=None, judged_ms=None)
    assert "valve" not in said["Circuit"]


def test_a_likely_fault_is_named_with_its_rivals_before_any_alarm() -> None:
    said = told(causes=STUCK)
    assert "Bypass valve stuck, nothing reaches the cooler: 90%" in said["Circuit"]
    assert "A stop after a hot pull" in said["What tells"]
    brief = circuit_brief(standing(causes=STUCK), LAST_MS, METRIC)
    assert brief == "perhaps a stuck bypass valve (90%)"
    sure = {"healthy": 0.01, "shut": 0.99}
    assert (
        circuit_brief(standing(causes=sure), LAST_MS, METRIC)
        == "likely a stuck bypass valve (99%)"
    )


def test_a_sensor_in_doubt_proves_no_flow() -> None:
    said = told(causes={"healthy": 0.1, "sensor": 0.9})["Circuit"]
    assert "sensor is in doubt" in said
    assert "proven" not in said


def test_a_truck_suspected_for_its_cold_was_seen_and_cold_weather_is_its_excuse() -> None:
    said = told(causes={"healthy": 0.17, "open": 0.83}, proven_ms=None, judged_ms=None)[
        "Circuit"
    ]
    assert "Not observable" not in said
    assert "nothing wrong, only cold weather or a light load: 17%" in said


def test_where_nothing_was_weighed_that_is_said() -> None:
    assert told(judged=False, causes={})["Circuit"].startswith("not judged")
    assert circuit_brief(standing(judged=False, causes={}), LAST_MS, METRIC) == (
        "circuit not seen yet"
    )


def read(missing: tuple[str, ...]) -> CircuitStanding:
    samples = records(climb(40, period_ms=10_000, start_c=85.0, slope_k_min=0.2))
    for name in missing:
        samples[name] = float("nan")
    params, state = fill_params(), blank(STATE)
    advance(params, state, 0, samples)
    truck = record(state).truck
    return circuit_of(record(params), truck)


@pytest.mark.parametrize(
    ("missing", "name", "cost"),
    [
        ("ambient_temp_c", "outside temperature", "less surely"),
        ("engine_torque_nm", "engine torque or load", "guessed from road speed"),
        ("engine_rpm", "engine speed", "cannot be judged"),
        ("lockup", "lockup", "guessed from speed"),
        ("lockup_slip_rpm", "lockup slip", "less surely"),
    ],
)
def test_a_missing_signal_is_named_with_what_that_costs(
    missing: str, name: str, cost: str
) -> None:
    found = read((missing,))
    assert cost in found.missing[name]
    assert name in told(missing=found.missing)["Missing now"]


def test_a_truck_that_drove_is_judged_and_its_odds_are_one() -> None:
    found = read(())
    assert found.judged
    assert sum(found.causes.values()) == pytest.approx(1.0)
    assert found.fault_probability == pytest.approx(1.0 - found.causes["healthy"])
    assert set(found.missing) == {"lockup slip"}
