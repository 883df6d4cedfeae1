"""Another gearbox, another circuit: what was learned of the old one is learned anew."""

from __future__ import annotations

import pytest

from models.detectors import DETECTORS
from models.hypotheses import AIR, HEALTHY, LOW, OPEN, SHUT
from models.kernel import KINDS, advance
from models.layout import record
from models.service import SERVICE_KINDS
from models.thermal_parameters import MARGINS
from tests.models.entries import count, entry, parts
from tests.models.fills import FOREVER_S, fill_params, run, steps
from tests.recorded import HOUR_MS, MINUTE_MS, NOON_MS, climb, records

PARAMS = fill_params(fluid_total_l=12.0)
LATER_MS = NOON_MS + 1000 * HOUR_MS
OF_A_VALVE = tuple(kind for kind in MARGINS if kind != "coolant_valve_stuck")
"""Alarms of the circuit that a bypass valve leaves possible."""


@pytest.mark.parametrize("kind", ["circuit", "gearbox"])
def test_the_heat_balance_is_learned_anew(kind: str) -> None:
    state = run(PARAMS, climb(60))
    _, account = parts(PARAMS, state)
    life, samples = float(account.life_used), int(account.filling.samples)
    assert record(state).truck.thermal.started == 1
    count(PARAMS, state, entry(kind, LATER_MS))
    assert not any(record(state).truck.thermal.tobytes())
    if kind == "circuit":
        assert (account.life_used, account.filling.samples) == (life, samples)
    else:
        assert (account.life_used, account.filling.samples) == (0.0, 0)
        assert account.filling.filter_ms == LATER_MS


@pytest.mark.parametrize(
    ("kind", "ended"),
    [
        ("circuit", set(OF_A_VALVE)),
        ("gearbox", {*OF_A_VALVE, "over_temperature"}),
        ("pan_drop", set()),
    ],
)
def test_alarms_of_what_was_replaced_end_and_are_heard_to_end(
    kind: str, ended: set[str]
) -> None:
    params = fill_params(fluid_total_l=12.0, max_gap_s=FOREVER_S)
    state = run(params, steps([(1.0, 90.0)]))
    standing = (*OF_A_VALVE, "over_temperature")
    for detector in standing:
        state[0][detector]["presence"]["standing"] = 3
        state[0][detector]["presence"]["onset_ms"] = NOON_MS
        state[0][detector]["own"][
            "upheld" if detector != "over_temperature" else "priority"
        ] = 3
    # The cooling detectors clear on a probability that nothing here lets them see.
    for hypothesis in (HEALTHY, SHUT, LOW, OPEN, AIR):
        state[0]["truck"]["thermal"]["p"][hypothesis] = 0.2
    count(params, state, entry(kind, NOON_MS + HOUR_MS + 1))
    for detector in standing:
        own = state[0][detector]["own"].tobytes()
        assert (not any(own)) is (detector in ended)
        assert state[0][detector]["presence"]["standing"] == 3
    cold = [
        {"time_ms": float(NOON_MS + 2 * HOUR_MS + minute * MINUTE_MS), "gear": 0.0}
        for minute in range(12)
    ]
    found = advance(params, state, 0, records(cold))
    heard = {
        KINDS[event["kind"]] for events in found for event in events if not event["active"]
    }
    assert heard == ended


def test_detectors_say_what_they_begin_again_with() -> None:
    for detector in DETECTORS:
        assert set(detector.begins_again_with) <= set(SERVICE_KINDS)
        assert "gearbox" in detector.begins_again_with
