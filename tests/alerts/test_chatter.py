"""An alarm that comes and goes too often.

Three times in a minute is what ISA-18.2 and EEMUA 191 call chattering (from memory); how many notices a
person may get of it, at most two in an hour once a second, is our own figure.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest

from alerts import chatter, holds, journal, ledger, outbox
from alerts.alarm import State
from alerts.journal import acknowledge, alarms
from alerts.lifecycle import meant
from models.transition import Priority
from tests.alerts.life import (
    DESK,
    HOUR,
    SECOND,
    come,
    deliver,
    delivered,
    flap,
    go,
    pair,
    standing,
)
from tests.alerts.store import MINUTE, NOON, memory, transition, write


def test_once_a_second_for_an_hour_is_two_notices_and_one_when_it_is_quiet() -> None:
    conn = memory()
    end_ms = flap(conn, NOON, 1800)
    assert delivered(conn) == ["active", "chatter"]
    assert chatter.tick(conn, now_ms=end_ms + 29 * MINUTE, policy=DESK) == []
    (ended,) = chatter.tick(conn, now_ms=end_ms + 30 * MINUTE, policy=DESK)
    deliver(conn, end_ms + 40 * MINUTE)
    assert delivered(conn) == ["active", "chatter", "normal"]
    assert ended.state is State.RETURNED
    assert not ended.chattering
    assert Counter(alarm.state for alarm in alarms(conn, limit=9999)) == {
        State.NORMAL: 1799,
        State.RETURNED: 1,
    }


def test_the_notice_says_how_often_and_what_follows() -> None:
    conn = memory()
    flap(conn, NOON, 3)
    (said,) = [each for each in outbox.entries(conn) if each.matter == "chatter"]
    assert "3 times within 60 minutes" in said.remark
    assert "30 minutes" in said.remark


def test_one_that_stands_at_last_is_told_when_it_has_stood() -> None:
    conn = memory()
    last_ms = flap(conn, NOON, 4)
    come(conn, last_ms)
    assert chatter.tick(conn, now_ms=last_ms + 10 * MINUTE - 1, policy=DESK) == []
    (told,) = chatter.tick(conn, now_ms=last_ms + 10 * MINUTE, policy=DESK)
    assert told.active
    deliver(conn, last_ms + 10 * MINUTE)
    go(conn, last_ms + HOUR, last_ms)
    deliver(conn, last_ms + HOUR)
    assert delivered(conn) == ["active", "chatter", "active", "normal"]


def test_what_comes_back_after_an_hour_each_time_is_told_each_time() -> None:
    conn = memory()
    for n in range(4):
        at_ms = NOON + n * HOUR
        come(conn, at_ms)
        deliver(conn, at_ms)
        go(conn, at_ms + 5 * MINUTE, at_ms)
        deliver(conn, at_ms + 5 * MINUTE)
    assert delivered(conn) == ["active", "normal"] * 4


def test_other_trucks_and_other_kinds_are_told_as_ever() -> None:
    conn = memory()
    flap(conn, NOON, 5)
    come(conn, NOON + MINUTE, kind="overcooled")
    at_ms = NOON + MINUTE
    write(conn, [transition(at_ms, at_ms, vehicle="NF-02")], now_ms=at_ms, vehicle="NF-02")
    deliver(conn, NOON + MINUTE)
    assert delivered(conn)[-2:] == ["active", "active"]


def test_what_becomes_worse_than_was_told_is_told_at_once() -> None:
    conn = memory()
    end_ms = flap(conn, NOON, 5)
    come(conn, end_ms, priority=Priority.CRITICAL)
    deliver(conn, end_ms)
    assert delivered(conn) == ["active", "chatter", "rise"]
    assert standing(conn).chattering


def test_a_rise_while_it_stands_is_told_too() -> None:
    conn = memory()
    end_ms = flap(conn, NOON, 5)
    come(conn, end_ms)
    risen = transition(end_ms + SECOND, end_ms, priority=Priority.CRITICAL)
    write(conn, [risen], now_ms=end_ms + SECOND, after_ms=end_ms, policy=DESK)
    deliver(conn, end_ms + SECOND)
    assert delivered(conn)[-1] == "rise"


def test_a_moment_away_is_not_told_before_it_has_lasted() -> None:
    conn = memory()
    come(conn, NOON)
    go(conn, NOON + 30 * SECOND, NOON)
    deliver(conn, NOON + 30 * SECOND + MINUTE - 1)
    assert delivered(conn) == ["active"]
    deliver(conn, NOON + 30 * SECOND + MINUTE)
    assert delivered(conn) == ["active", "normal"]


def test_who_waits_to_hear_that_it_went_hears_first_that_it_went_then_that_it_is_back() -> None:
    conn = memory()
    come(conn, NOON)
    deliver(conn, NOON)
    go(conn, NOON + 30 * SECOND, NOON)
    come(conn, NOON + 40 * SECOND)
    deliver(conn, NOON + MINUTE)
    assert delivered(conn) == ["active"]
    deliver(conn, NOON + 2 * MINUTE)
    assert delivered(conn) == ["active", "normal", "active"]


def test_an_acknowledgement_while_it_comes_and_goes_is_of_the_one_that_stands() -> None:
    conn = memory()
    end_ms = flap(conn, NOON, 3)
    (said,) = [each for each in outbox.entries(conn) if each.matter == "chatter"]
    end_ms = flap(conn, end_ms, 3)
    come(conn, end_ms)
    assert meant(conn, said.alarm_id, said.turn).id == standing(conn).id
    known = acknowledge(
        conn, said.alarm_id, by="A. Foreman", now_ms=end_ms + SECOND, turn=said.turn
    )
    assert known.state is State.ACKNOWLEDGED
    go(conn, end_ms + 2 * SECOND, end_ms)
    come(conn, end_ms + 3 * SECOND)
    again = standing(conn)
    # It re-alarms, as the standards ask; but nobody need be called who has answered.
    assert (again.state, again.told_ms) == (State.UNACKNOWLEDGED, None)


def test_while_nobody_has_acknowledged_each_one_knows_since_when_it_was_told() -> None:
    conn = memory()
    flap(conn, NOON, 9)
    found = alarms(conn, limit=99)
    assert {alarm.told_ms for alarm in found[:7]} == {NOON + 4 * SECOND}


def test_what_is_late_and_what_is_held_is_not_counted() -> None:
    conn = memory()
    old = [each for n in range(5) for each in pair(NOON + n * MINUTE, NOON + n * MINUTE + 1)]
    write(conn, old, now_ms=NOON + HOUR, policy=DESK)
    holds.place(
        conn,
        state=State.OUT_OF_SERVICE,
        vehicle="NF-01",
        by="Kim",
        reason="in the shop",
        now_ms=NOON + HOUR,
        policy=DESK,
    )
    end_ms = flap(conn, NOON + HOUR + 1, 9)
    holds.release(conn, 1, by="Kim", now_ms=end_ms, policy=DESK)
    come(conn, end_ms)
    deliver(conn, end_ms)
    assert delivered(conn) == ["active"]
    assert not any(alarm.chattering for alarm in alarms(conn, limit=99))


def test_a_hold_on_what_comes_and_goes_is_silent_and_how_it_stands_is_told_after() -> None:
    conn = memory()
    end_ms = flap(conn, NOON, 4)
    holds.place(
        conn,
        state=State.SHELVED,
        vehicle="NF-01",
        kind="bypass_stuck",
        by="Kim",
        reason="loose plug, part ordered",
        until_ms=end_ms + 5 * HOUR,
        now_ms=end_ms,
        policy=DESK,
    )
    end_ms = flap(conn, end_ms, 4)
    assert chatter.tick(conn, now_ms=end_ms + 4 * HOUR, policy=DESK) == []
    assert holds.tick(conn, now_ms=end_ms + 6 * HOUR, policy=DESK)
    chatter.tick(conn, now_ms=end_ms + 6 * HOUR, policy=DESK)
    deliver(conn, end_ms + 7 * HOUR)
    assert delivered(conn) == ["active", "chatter", "normal"]


def test_what_came_under_the_hold_and_stands_when_it_ends_is_told() -> None:
    conn = memory()
    end_ms = flap(conn, NOON, 4)
    holds.place(
        conn,
        state=State.SUPPRESSED,
        vehicle="NF-01",
        by="Kim",
        reason="in the shop",
        now_ms=end_ms,
        policy=DESK,
    )
    come(conn, end_ms + SECOND)
    holds.release(conn, 1, by="Kim", now_ms=end_ms + HOUR, policy=DESK)
    (told,) = chatter.tick(conn, now_ms=end_ms + HOUR, policy=DESK)
    assert told.active
    deliver(conn, end_ms + HOUR)
    go(conn, end_ms + 2 * HOUR, end_ms + SECOND)
    deliver(conn, end_ms + 2 * HOUR)
    assert delivered(conn) == ["active", "chatter", "active", "normal"]


@pytest.mark.parametrize("half_s", [1, 20, 90, 300])
def test_however_fast_it_flaps_it_is_told_a_few_times_at_most(half_s: int) -> None:
    conn = memory()
    times = HOUR // (2 * half_s * SECOND)
    flap(conn, NOON, times, half_ms=half_s * SECOND)
    assert len(delivered(conn)) <= (2 if half_s < 30 else 5)


def test_of_a_flap_in_one_batch_no_more_is_told() -> None:
    conn = memory()
    many = [
        each
        for n in range(100)
        for each in pair(NOON + 2 * n * SECOND, NOON + (2 * n + 1) * SECOND)
    ]
    write(conn, many, now_ms=NOON + 200 * SECOND, policy=DESK)
    deliver(conn, NOON + 200 * SECOND)
    assert delivered(conn) == ["chatter"]


def test_an_episode_that_ends_and_goes_on_as_samples_trickle_in_is_told_no_more_often() -> None:
    conn = memory()
    for n in range(20):
        now_ms = NOON + n * SECOND
        write(conn, pair(NOON, NOON + 1 if n % 2 else None), now_ms=now_ms, policy=DESK)
        deliver(conn, now_ms)
    assert delivered(conn) == ["active", "chatter"]
    (found,) = alarms(conn)
    assert found.turn == 2  # one for each time that was told, then it stays


def test_journal_gives_back_alarms_as_they_are() -> None:
    conn = memory()
    many = [
        each
        for n in range(4)
        for each in pair(NOON + 2 * n * SECOND, NOON + (2 * n + 1) * SECOND)
    ]
    changes = write(conn, many, now_ms=NOON + 9 * SECOND, policy=DESK)
    assert {alarm.id for alarm in changes.alarms} == {each.id for each in alarms(conn)}
    assert all(ledger.get(conn, alarm.id) == alarm for alarm in changes.alarms)
    assert journal.standing(conn) == [alarms(conn)[0]]


def test_a_clock_that_was_years_ahead_holds_nothing_back_when_it_is_set_right() -> None:
    conn = memory()
    ahead_ms = 10 * 365 * 24 * HOUR
    policy = replace(DESK, late_after_ms=2 * ahead_ms)
    for n in range(3):
        came, went = pair(NOON + 2 * n * SECOND, NOON + (2 * n + 1) * SECOND)
        for each in (came, went):
            at_ms = each.time_ms
            write(conn, [each], now_ms=at_ms + ahead_ms, after_ms=at_ms - 1, policy=policy)
            deliver(conn, at_ms + ahead_ms)
    assert delivered(conn)[-1] == "chatter"
    # Set right: how it stands is told, and what comes then is told as if nothing had been.
    now_ms = NOON + 10 * SECOND
    assert [each.chattering for each in chatter.tick(conn, now_ms=now_ms, policy=DESK)] == [
        False
    ]
    come(conn, NOON + 5 * MINUTE)
    deliver(conn, NOON + 6 * MINUTE)
    assert delivered(conn)[-2:] == ["normal", "active"]


def test_one_that_goes_on_for_another_and_was_over_before_is_said_to_be_over_once_more() -> (
    None
):
    conn = memory()
    first = pair(NOON, NOON + SECOND)
    for at_ms in (NOON, NOON + 2 * MINUTE, NOON + 4 * MINUTE):
        come(conn, at_ms)
        deliver(conn, at_ms)
        if at_ms < NOON + 4 * MINUTE:
            go(conn, at_ms + SECOND, at_ms)
            deliver(conn, at_ms + MINUTE + SECOND)
    assert delivered(conn) == ["active", "normal", "active", "normal", "chatter"]
    # Later samples show that the second never ended: the third was part of it.
    (came, went) = pair(NOON + 2 * MINUTE, NOON + 5 * MINUTE)
    write(conn, [*first, came], now_ms=NOON + 5 * MINUTE, policy=DESK)
    write(conn, [*first, came, went], now_ms=NOON + 5 * MINUTE, policy=DESK)
    chatter.tick(conn, now_ms=NOON + HOUR, policy=DESK)
    deliver(conn, NOON + 2 * HOUR)
    assert delivered(conn)[5:] == ["normal"]


def test_an_old_one_that_turns_up_meanwhile_says_nothing_of_what_comes_and_goes() -> None:
    conn = memory()
    end_ms = flap(conn, NOON, 3)
    assert delivered(conn)[-1] == "chatter"
    times = [(NOON - 2 * HOUR, NOON - HOUR)]
    times += [(NOON + 2 * n * SECOND, NOON + (2 * n + 1) * SECOND) for n in range(3)]
    found = [each for began_ms, ended_ms in times for each in pair(began_ms, ended_ms)]
    write(conn, found, now_ms=end_ms, policy=DESK)
    deliver(conn, end_ms + 10 * MINUTE)
    assert delivered(conn)[-1] == "chatter"
