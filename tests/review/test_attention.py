"""What needs somebody, and in which order. The order is the issue's own; no standard lists these matters."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.alarm import HELD, State
from alerts.hold import Hold
from alerts.ledger import Alarm
from models.due import Due
from models.fleet import Vehicle
from models.transition import Priority
from review.attention import CIRCUIT_KINDS, Need, Reason, needs_of, rank
from review.board_row import Signals, TruckLive
from review.circuit_standing import CircuitStanding

NOW_MS = 1_781_618_400_000
AWAKE = sorted(frozenset(State) - HELD - {State.NORMAL})


def alarm(
    kind: str = "over_temperature",
    *,
    priority: Priority = Priority.HIGH,
    state: State = State.UNACKNOWLEDGED,
    onset_ms: int = NOW_MS - 60_000,
    name: str = "a",
) -> Alarm:
    return Alarm(
        id=name,
        vehicle="NF-03",
        kind=kind,
        onset_ms=onset_ms,
        raised_ms=onset_ms,
        active=state in (State.UNACKNOWLEDGED, State.ACKNOWLEDGED),
        state=state,
        priority=priority,
        probability=1.0,
        evidence={},
        first_seen_ms=onset_ms,
    )


def truck(**what: object) -> TruckLive:
    sound = TruckLive(
        name="NF-03",
        vehicle=Vehicle(name="NF-03", title="Quarry run"),
        groups=(),
        standing="good",
        last_ms=NOW_MS,
        silent_after_s=1800.0,
        signals=signals(moving=False),
        circuit_standing=circuit({"healthy": 0.97, "shut": 0.03}),
    )
    return replace(sound, **what)  # type: ignore[arg-type] # of the fields


def signals(*, moving: bool) -> Signals:
    return Signals(
        time_ms=NOW_MS,
        moving=moving,
        fluid_c=None,
        line_out_c=None,
        line_return_c=None,
        air_c=None,
        coolant_c=None,
        speed_km_h=None,
        rpm=None,
        torque_nm=None,
        rated_torque_nm=850.0,
        gear=None,
        lockup=None,
        slip_rpm=None,
        trailer=None,
        heat_w=None,
    )


def circuit(causes: dict[str, float]) -> CircuitStanding:
    return CircuitStanding(
        judged=bool(causes),
        proven_ms=None,
        judged_ms=None,
        unseen_since_ms=None,
        suspect_ms=None,
        learned=0.5,
        causes=causes,
        coolant_cooled=False,
        missing={},
    )


def due(*, overdue: bool) -> Due:
    return Due(
        reason="heat",
        overdue=overdue,
        median_ms=NOW_MS - 1,
        early_ms=None,
        late_ms=None,
        share_by_heat=1.1,
        share_by_distance=0.1,
        share_by_age=0.1,
        distance_km=1.0,
        distance_limit_km=2.0,
        age_days=1.0,
        age_limit_days=2.0,
    )


def hold(kind: str | None) -> Hold:
    return Hold(
        id=1,
        state=State.SHELVED,
        vehicle="NF-03",
        kind=kind,
        from_ms=0,
        until_ms=None,
        by="Ines",
        reason="in the shop",
    )


needs = st.one_of(
    st.builds(
        lambda reason, **of: Need(reason=reason, alarm=alarm(**of), since_ms=of["onset_ms"]),
        reason=st.sampled_from([Reason.ALARM, Reason.TO_LOOK_AT]),
        priority=st.sampled_from(Priority),
        state=st.sampled_from(AWAKE),
        onset_ms=st.integers(0, 5),
        name=st.sampled_from(["a", "b", "c"]),
    ),
    st.builds(
        Need,
        reason=st.sampled_from([each for each in Reason if each > Reason.TO_LOOK_AT]),
        since_ms=st.none() | st.integers(0, 5),
    ),
)


@given(st.lists(needs, max_size=12))
def test_the_order_does_not_depend_on_the_order_before(found: list[Need]) -> None:
    backwards = list(reversed(found))
    assert [rank(each) for each in sorted(found, key=rank)] == [
        rank(each) for each in sorted(backwards, key=rank)
    ]


@given(needs, needs, needs)
def test_the_order_is_total(one: Need, two: Need, three: Need) -> None:
    a, b, c = rank(one), rank(two), rank(three)
    assert (a < b) + (a == b) + (a > b) == 1
    if a <= b and b <= c:
        assert a <= c


@given(st.sampled_from(Priority), st.integers(0, 9), st.integers(0, 9), st.sampled_from(AWAKE))
def test_what_somebody_knows_never_comes_before_what_nobody_does(
    priority: Priority, onset_ms: int, known_onset_ms: int, state: State
) -> None:
    nobody = alarm(priority=priority, state=state, onset_ms=onset_ms, name="nobody")
    for knowing in (State.ACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED):
        known = alarm(priority=priority, state=knowing, onset_ms=known_onset_ms, name="known")
        first = needs_of(truck(alarms=(known, nobody)), NOW_MS)[0]
        if state not in (State.ACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED):
            assert first.alarm is nobody


def test_the_order_of_the_reasons_is_the_one_that_was_asked_for() -> None:
    everything = truck(
        alarms=(
            alarm("lockup_slip", priority=Priority.LOW, name="low"),
            alarm("bypass_stuck", priority=Priority.CRITICAL, name="critical"),
            alarm(priority=Priority.HIGH, name="high"),
            alarm(priority=Priority.CRITICAL, state=State.LATCHED_ACKNOWLEDGED, name="latched"),
        ),
        due=due(overdue=True),
        signals=signals(moving=True),
        last_ms=NOW_MS - 3_600_000,
        circuit_standing=circuit({"healthy": 0.05, "sensor": 0.95}),
    )
    found = needs_of(everything, NOW_MS)
    assert [each.alarm.id if each.alarm else each.reason.name for each in found] == [
        "critical",
        "high",
        "low",
        "latched",
        "OVERDUE",
        "SILENT",
        "SENSOR",
    ]


def test_a_sound_truck_needs_nobody() -> None:
    assert needs_of(truck(), NOW_MS) == ()


@pytest.mark.parametrize("kind", sorted(CIRCUIT_KINDS))
def test_a_cause_is_suspected_once_no_alarm_names_it(kind: str) -> None:
    doubted = truck(circuit_standing=circuit({"healthy": 0.04, "shut": 0.96}))
    assert [each.reason for each in needs_of(doubted, NOW_MS)] == [Reason.SUSPECT]
    told = replace(doubted, alarms=(alarm(kind),))
    assert [each.reason for each in needs_of(told, NOW_MS)] == [Reason.ALARM]


def test_a_doubt_that_is_less_than_likely_needs_nobody() -> None:
    doubted = truck(circuit_standing=circuit({"healthy": 0.2, "shut": 0.8}))
    assert needs_of(doubted, NOW_MS) == ()


def test_a_sensor_in_doubt_is_not_called_a_fault_of_the_circuit() -> None:
    doubted = truck(circuit_standing=circuit({"healthy": 0.05, "sensor": 0.95}))
    assert [each.reason for each in needs_of(doubted, NOW_MS)] == [Reason.SENSOR]


def test_a_truck_that_stands_may_be_silent_and_one_that_moved_may_not() -> None:
    quiet_ms = NOW_MS - 1_800_001
    assert needs_of(truck(last_ms=quiet_ms), NOW_MS) == ()
    moving = truck(last_ms=quiet_ms, signals=signals(moving=True))
    assert [each.reason for each in needs_of(moving, NOW_MS)] == [Reason.SILENT]
    assert needs_of(moving, NOW_MS, all_silent=True) == ()
    assert needs_of(replace(moving, last_ms=NOW_MS - 1_799_000), NOW_MS) == ()


def test_what_people_hold_back_needs_nobody() -> None:
    for state in HELD:
        assert needs_of(truck(alarms=(alarm(state=state),)), NOW_MS) == ()
    overdue = truck(due=due(overdue=True))
    assert [each.reason for each in needs_of(overdue, NOW_MS)] == [Reason.OVERDUE]
    assert needs_of(replace(overdue, holds=(hold(None),)), NOW_MS) == ()
    assert needs_of(replace(overdue, holds=(hold("service_due"),)), NOW_MS) == ()
    other = replace(overdue, holds=(hold("over_temperature"),))
    assert [each.reason for each in needs_of(other, NOW_MS)] == [Reason.OVERDUE]


def test_a_truck_that_cannot_be_read_is_said_to_be() -> None:
    broken = truck(trouble="the fleet file has no such fluid", standing="out of date")
    assert [each.reason for each in needs_of(broken, NOW_MS)] == [Reason.UNREADABLE]
    old = truck(standing="out of date", account=None, circuit_standing=None)
    assert [each.reason for each in needs_of(old, NOW_MS)] == [Reason.OUT_OF_DATE]
