"""The daily look at service dates: who is told what, and never twice."""

from __future__ import annotations

import math
import sqlite3

import pytest

from alerts import outbox
from alerts.alarm import State
from alerts.date_words import DUE_BY, DUE_MS, NO_DATA_SINCE_MS, TOLD_BY, TOLD_MS
from alerts.journal import acknowledge, alarms, standing
from alerts.ledger import Alarm
from alerts.policy import Policy, Route
from alerts.service_date import (
    NOTHING,
    SERVICE_DUE,
    DateRules,
    Outlook,
    Reviewed,
    moved,
    review,
)
from alerts.silence import tick
from alerts.watch import SILENT, LastHeard, SilenceLimits
from models.detectors.service_due import SERVICE_DUE as DETECTOR
from models.due import AGE, DISTANCE, HEAT
from models.transition import Priority
from tests.alerts.service_dates import DAY, due, numbers, outlook, raised
from tests.alerts.store import MINUTE, NOON, POLICY, memory, write


def look(
    conn: sqlite3.Connection, day: float, seen: Outlook, policy: Policy = POLICY
) -> Reviewed:
    return review(
        conn,
        {"NF-01": seen},
        now_ms=NOON + round(day * DAY),
        rules=DateRules(),
        policy=policy,
    )


def told(conn: sqlite3.Connection, channel: str = "desk") -> list[str]:
    return [e.matter.value for e in outbox.entries(conn) if e.destination == channel]


def only(conn: sqlite3.Connection) -> Alarm:
    (alarm,) = alarms(conn)
    return alarm


def test_the_kind_and_its_numbers_are_the_detectors() -> None:
    assert DETECTOR.kind == SERVICE_DUE
    assert {DUE_MS, DUE_BY} <= set(DETECTOR.evidence)
    assert set(numbers(0)) == set(DETECTOR.evidence)


@pytest.mark.parametrize("days", [-14, -13.9, 0, 13.9, 14])
def test_a_date_that_moved_by_no_more_than_the_setting_is_not_told(days: float) -> None:
    conn = raised()
    assert look(conn, 1, outlook(60 + days)) == NOTHING
    assert told(conn) == ["active"]


@pytest.mark.parametrize("days", [-14.1, 14.1, 100])
def test_a_date_that_moved_further_is_told_once_with_what_it_was(days: float) -> None:
    conn = raised()
    (alarm,) = look(conn, 1, outlook(60 + days, by=DISTANCE)).moved
    assert look(conn, 1, outlook(60 + days, by=DISTANCE)) == NOTHING
    assert look(conn, 2, outlook(60 + days, by=DISTANCE)) == NOTHING
    assert told(conn) == ["active", "date_moved"]
    evidence = outbox.entries(conn)[-1].evidence
    assert (evidence[TOLD_MS], evidence[TOLD_BY]) == (NOON + 60 * DAY, HEAT)
    assert (evidence[DUE_MS], evidence[DUE_BY]) == (NOON + (60 + days) * DAY, DISTANCE)
    assert alarm == only(conn)
    assert alarm.evidence == evidence


def test_moving_back_is_told_once_more_and_creeping_is_told_by_the_sum() -> None:
    conn = raised()
    for day, due_day in enumerate((80, 60, 70, 74, 75, 80, 89, 89.5), start=1):
        look(conn, day, outlook(due_day))
    dates = [
        round((entry.evidence[DUE_MS] - NOON) / DAY, 1)
        for entry in outbox.entries(conn)
        if entry.destination == "desk"
    ]
    assert dates == [60, 80, 60, 75, 89.5]
    ids = [entry.id for entry in outbox.entries(conn)]
    assert len(set(ids)) == len(ids)


@pytest.mark.parametrize(
    ("early_day", "late_day", "due_day", "is_moved"),
    [
        (30, 100, 31, False),
        (30, 100, 29, True),
        (30, 100, 99, False),
        (30, 100, 101, True),
        (55, 65, 70, False),
        (55, 65, 75, True),
        (30, math.nan, 500, False),
    ],
)
def test_where_wished_only_a_date_out_of_the_interval_is_told(
    early_day: float, late_day: float, due_day: float, is_moved: bool
) -> None:
    evidence = numbers(
        60, due_early_ms=NOON + early_day * DAY, due_late_ms=NOON + late_day * DAY
    )
    rules = DateRules(out_of_interval=True)
    assert moved(evidence, NOON + due_day * DAY, rules) is is_moved


def test_acknowledged_alarms_get_new_dates_too_and_stay_acknowledged() -> None:
    conn = raised()
    acknowledge(conn, only(conn).id, by="A. Foreman", now_ms=NOON + MINUTE)
    assert len(look(conn, 1, outlook(90)).moved) == 1
    assert only(conn).state is State.ACKNOWLEDGED
    assert told(conn) == ["active", "date_moved"]


def test_only_those_are_told_who_know_of_the_alarm_and_still_want_to() -> None:
    conn = raised()
    policy = Policy(routes=(Route(channel="new"), Route(channel="desk")))
    look(conn, 1, outlook(90), policy)
    assert told(conn, "new") == []
    assert told(conn) == ["active", "date_moved"]
    gone = Policy(routes=(Route(channel="desk", min_priority=Priority.HIGH),))
    assert look(conn, 2, outlook(60), gone) == NOTHING
    assert told(conn) == ["active", "date_moved"]


def test_an_alarm_that_nobody_was_told_of_has_no_date_to_move() -> None:
    conn = raised(policy=Policy())
    assert look(conn, 1, outlook(90), Policy()) == NOTHING
    assert outbox.entries(conn) == []


def test_a_cancelled_notice_told_nobody_a_date() -> None:
    conn = raised()
    look(conn, 1, outlook(90))
    outbox.cancel(conn, only(conn).id, NOON + DAY)
    assert look(conn, 2, outlook(90)) == NOTHING


def test_once_it_is_due_the_level_tells_and_no_date() -> None:
    conn = raised(due_day=60)
    due_now = outlook(30, priority=Priority.HIGH)
    assert len(look(conn, 30, due_now).raised) == 1
    for day in (31, 50, 80):
        assert look(conn, day, due_now) == NOTHING
    assert told(conn) == ["active", "rise"]


def test_what_was_due_and_is_not_any_more_gets_a_date() -> None:
    conn = raised(due_day=0)
    assert len(look(conn, 1, outlook(40)).moved) == 1


def test_a_rise_tells_the_date_of_then() -> None:
    conn = raised()
    write(conn, [due(0, 60), due(20, 30, Priority.MEDIUM)], now_ms=NOON + 20 * DAY)
    assert look(conn, 20, outlook(32, priority=Priority.MEDIUM)) == NOTHING
    assert told(conn) == ["active", "rise"]


@pytest.mark.parametrize(
    ("before", "after", "is_moved"),
    [
        (math.nan, 60.0, True),
        (60.0, math.nan, True),
        (math.nan, math.nan, False),
        (math.nan, math.inf, False),
    ],
)
def test_no_date_within_sight_is_a_date_too(
    before: float, after: float, is_moved: bool
) -> None:
    assert moved({DUE_MS: NOON + before * DAY}, NOON + after * DAY, DateRules()) is is_moved
    conn = raised(due_day=before)
    look(conn, 1, outlook(after))
    look(conn, 2, outlook(after))
    assert told(conn) == ["active", *(["date_moved"] if is_moved else [])]


def test_without_data_the_date_is_not_followed_which_is_said_once() -> None:
    conn = raised(due_day=60)
    assert look(conn, 15, outlook(70, data_day=1)) == NOTHING
    (alarm,) = look(conn, 15.1, outlook(90, data_day=1)).quiet
    assert alarm.evidence[NO_DATA_SINCE_MS] == NOON + DAY
    assert alarm.evidence[DUE_MS] == NOON + 60 * DAY
    for day in (17, 40, 59):
        assert look(conn, day, outlook(60 + day, data_day=1)) == NOTHING
    assert told(conn) == ["active", "no_data"]
    # Data again: what counts is the date that was told before.
    assert look(conn, 60, outlook(70, data_day=59.9)) == NOTHING
    assert len(look(conn, 61, outlook(90, data_day=60.9)).moved) == 1
    assert len(look(conn, 80, outlook(90, data_day=61)).quiet) == 1
    assert told(conn) == ["active", "no_data", "date_moved", "no_data"]


def test_a_date_by_the_calendar_needs_no_data() -> None:
    conn = memory()
    write(conn, [due(0, 60, by=AGE)], now_ms=NOON)
    assert look(conn, 30, outlook(60, by=AGE, data_day=1)) == NOTHING


def test_a_date_that_has_passed_need_not_be_followed() -> None:
    conn = raised(due_day=10)
    assert look(conn, 30, outlook(90, data_day=1)) == NOTHING


def test_an_interval_that_runs_out_while_the_truck_stands_is_raised_and_rises() -> None:
    conn = memory()
    assert look(conn, 0, outlook(60, priority=0, data_day=-100)) == NOTHING
    (alarm,) = look(conn, 1, outlook(60, by=AGE, data_day=-100)).raised
    assert (alarm.provisional, alarm.watched, alarm.state) == (
        True,
        False,
        State.UNACKNOWLEDGED,
    )
    assert alarm.evidence[NO_DATA_SINCE_MS] == NOON - 100 * DAY
    assert look(conn, 2, outlook(60, by=AGE, data_day=-100)) == NOTHING
    acknowledge(conn, alarm.id, by="A. Foreman", now_ms=NOON + 2 * DAY)
    look(conn, 50, outlook(60, by=AGE, data_day=-100, priority=Priority.MEDIUM))
    assert only(conn).state is State.UNACKNOWLEDGED
    look(conn, 60, outlook(60, by=AGE, data_day=-100, priority=Priority.HIGH))
    look(conn, 61, outlook(60, by=AGE, data_day=-100, priority=Priority.HIGH))
    assert told(conn) == ["active", "rise", "rise"]
    assert told(conn, "phone") == ["rise"]


def test_samples_that_confirm_it_tell_nobody_again() -> None:
    conn = memory()
    (first,) = look(conn, 1, outlook(60, by=AGE, data_day=-100)).raised
    write(conn, [due(2, 60, onset_day=2, by=AGE)], now_ms=NOON + 2 * DAY)
    alarm = only(conn)
    assert (alarm.id, alarm.onset_ms) == (first.id, NOON + 2 * DAY)
    assert (alarm.provisional, alarm.state) == (False, State.UNACKNOWLEDGED)
    assert look(conn, 2.5, outlook(60, by=AGE)) == NOTHING
    assert told(conn) == ["active"]


def test_samples_that_show_more_than_the_clock_could_are_told_though_acknowledged() -> None:
    conn = memory()
    (first,) = look(conn, 1, outlook(60, by=AGE, data_day=-100)).raised
    acknowledge(conn, first.id, by="A. Foreman", now_ms=NOON + DAY)
    write(conn, [due(2, 2, Priority.HIGH, onset_day=2)], now_ms=NOON + 2 * DAY)
    assert only(conn).state is State.UNACKNOWLEDGED
    assert told(conn) == ["active", "rise"]
    assert told(conn, "phone") == ["rise"]


def test_a_level_that_the_clock_raised_is_not_told_again_by_the_samples() -> None:
    conn = raised()
    look(conn, 40, outlook(60, by=AGE, data_day=1, priority=Priority.MEDIUM))
    write(conn, [due(0, 60), due(41, 60, Priority.MEDIUM)], now_ms=NOON + 41 * DAY)
    assert look(conn, 42, outlook(60, by=AGE, priority=Priority.MEDIUM)) == NOTHING
    assert told(conn) == ["active", "rise"]
    assert only(conn).provisional is False


def test_what_a_clock_gone_wrong_raised_is_taken_back_when_it_is_right_again() -> None:
    conn = memory()
    look(conn, 365, outlook(60, by=AGE, data_day=0, priority=Priority.HIGH))
    (alarm,) = look(conn, 1, outlook(800, priority=0, data_day=0.9)).cleared
    assert (alarm.active, alarm.remark) == (False, "a later look shows otherwise")
    assert standing(conn) == [alarm]  # not acknowledged yet
    assert told(conn) == ["active", "normal"]
    look(conn, 365, outlook(60, by=AGE, data_day=364))
    assert len({one.id for one in alarms(conn)}) == len(alarms(conn)) == 2
    assert told(conn) == ["active", "normal", "active"]


def test_what_the_samples_say_is_not_taken_back_by_the_clock() -> None:
    conn = raised()
    assert look(conn, 1, outlook(800, priority=0)).cleared == ()
    assert only(conn).active


def test_what_was_found_late_and_told_nobody_is_told_by_the_review() -> None:
    conn = memory()
    write(conn, [due(0, 60)], now_ms=NOON + DAY)
    assert told(conn) == []
    (alarm,) = look(conn, 1.5, outlook(60)).raised
    assert (alarm.late, alarm.told_priority) == (True, Priority.LOW)
    assert look(conn, 2.5, outlook(60)) == NOTHING
    assert told(conn) == ["active"]


def test_what_was_found_late_and_is_known_is_not_told() -> None:
    conn = memory()
    write(conn, [due(0, 60)], now_ms=NOON + DAY)
    acknowledge(conn, only(conn).id, by="A. Foreman", now_ms=NOON + DAY)
    assert look(conn, 1.5, outlook(60)) == NOTHING


def test_the_watch_for_silent_gateways_leaves_it_alone() -> None:
    conn = memory()
    look(conn, 0, outlook(60, by=AGE, data_day=-100))
    heard = {"NF-01": LastHeard(time_ms=NOON + DAY, heard_ms=NOON + DAY, moving=True)}
    for minute in (16, 17):
        ticked = tick(
            conn,
            heard=heard,
            now_ms=NOON + DAY + minute * MINUTE,
            limits=SilenceLimits(),
            policy=POLICY,
            listening_since_ms=0,
        )
        assert ticked.cleared == ()
    assert {alarm.kind: alarm.active for alarm in alarms(conn)} == {
        SERVICE_DUE: True,
        SILENT: True,
    }
