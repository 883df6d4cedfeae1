"""Alarms held back on purpose: nobody is told meanwhile, and what still stands is told when it is let go."""

from __future__ import annotations

import sqlite3
from dataclasses import replace

import pytest

from alerts import hold, holds, ledger, outbox
from alerts.alarm import Event, State
from alerts.history import events
from alerts.holds import BadHold, Placed
from alerts.journal import acknowledge, alarms
from alerts.ledger import late_since
from alerts.life_rules import LATCHING
from alerts.lifecycle import CameAgain, repaired, reset
from alerts.policy import Policy, Route
from alerts.silence import catch_up
from models.transition import Priority
from tests.alerts.life import (
    DESK,
    HOUR,
    come,
    deliver,
    delivered,
    go,
    pair,
    standing,
)
from tests.alerts.store import MINUTE, NOON, memory, transition, write

DAY = 24 * HOUR
LATCH = replace(DESK, latching=LATCHING)


def place(
    conn: sqlite3.Connection,
    state: State,
    now_ms: int,
    *,
    kind: str | None = None,
    until_ms: int | None = None,
    policy: Policy = DESK,
) -> Placed:
    return holds.place(
        conn,
        state=state,
        vehicle="NF-01",
        kind=kind,
        until_ms=until_ms,
        by="Kim",
        reason="cooler is being changed",
        now_ms=now_ms,
        policy=policy,
    )


def steps(conn: sqlite3.Connection) -> list[tuple[Event, State]]:
    return [(each.event, each.after) for each in events(conn)]


def test_what_is_shelved_tells_nobody_and_what_still_stands_is_told_when_the_time_is_over() -> (
    None
):
    conn = memory()
    until_ms = NOON + 3 * HOUR
    place(conn, State.SHELVED, NOON, kind="bypass_stuck", until_ms=until_ms)
    come(conn, NOON + HOUR)
    assert standing(conn).state is State.SHELVED
    assert outbox.entries(conn) == []
    assert holds.tick(conn, now_ms=until_ms - 1, policy=DESK) == ()
    (free,) = holds.tick(conn, now_ms=until_ms, policy=DESK)
    assert (free.state, free.told_ms, free.turn) == (State.UNACKNOWLEDGED, until_ms, 1)
    (said,) = outbox.entries(conn)
    assert said.matter == "active"
    assert said.remark == (
        "It was held back for 2 hours (shelved); that is over and it still stands"
    )
    assert holds.tick(conn, now_ms=until_ms + 1, policy=DESK) == ()


def test_the_history_names_who_held_it_and_why() -> None:
    conn = memory()
    come(conn, NOON)
    place(conn, State.OUT_OF_SERVICE, NOON + MINUTE)
    holds.release(conn, 1, by="Ines", now_ms=NOON + 2 * MINUTE, policy=DESK)
    held, free = events(conn)[1:]
    assert (held.event, held.by, held.comment) == (
        Event.REMOVE,
        "Kim",
        "cooler is being changed",
    )
    assert (free.event, free.by, free.after) == (Event.RELEASE, "Ines", State.UNACKNOWLEDGED)


def test_a_held_alarm_keeps_its_numbers_and_its_history() -> None:
    conn = memory()
    place(conn, State.SUPPRESSED, NOON)
    came = transition(NOON + 1, NOON + 1, fluid_temp_c=121.0)
    risen = transition(NOON + 2, NOON + 1, priority=Priority.CRITICAL, fluid_temp_c=131.0)
    write(conn, [came], now_ms=NOON + 1, policy=DESK)
    write(conn, [risen], now_ms=NOON + 2, after_ms=NOON + 1, policy=DESK)
    go(conn, NOON + 3, NOON + 1)
    found = standing(conn)
    assert (found.evidence, found.priority) == ({"fluid_temp_c": 131.0}, Priority.CRITICAL)
    assert steps(conn) == [
        (Event.SUPPRESS, State.SUPPRESSED),
        (Event.RAISE, State.SUPPRESSED),
        (Event.RISE, State.SUPPRESSED),
        (Event.CLEAR, State.SUPPRESSED),
    ]
    assert outbox.entries(conn) == []


def test_what_is_over_when_it_is_let_go_is_told_to_those_who_were_told() -> None:
    conn = memory()
    come(conn, NOON)
    deliver(conn, NOON)
    place(conn, State.SHELVED, NOON + MINUTE, until_ms=NOON + DAY)
    go(conn, NOON + HOUR, NOON)
    deliver(conn, NOON + 2 * HOUR)
    assert delivered(conn) == ["active"]
    holds.tick(conn, now_ms=NOON + DAY, policy=DESK)
    deliver(conn, NOON + DAY)
    assert delivered(conn) == ["active", "normal"]
    assert ledger.standing(conn) == []


def test_what_came_and_went_under_a_hold_is_told_to_nobody() -> None:
    conn = memory()
    place(conn, State.OUT_OF_SERVICE, NOON)
    come(conn, NOON + MINUTE)
    go(conn, NOON + HOUR, NOON + MINUTE)
    holds.release(conn, 1, by="Kim", now_ms=NOON + DAY, policy=DESK)
    assert outbox.entries(conn) == []
    assert ledger.standing(conn) == []


def test_what_waits_to_be_told_is_not_told_once_it_is_held() -> None:
    conn = memory()
    come(conn, NOON)
    place(conn, State.SUPPRESSED, NOON + 1)
    deliver(conn, NOON + HOUR)
    assert delivered(conn) == []


def test_an_acknowledgement_does_not_outlast_a_hold() -> None:
    conn = memory()
    come(conn, NOON)
    before = acknowledge(conn, standing(conn).id, by="Kim", now_ms=NOON + 1)
    place(conn, State.SHELVED, NOON + MINUTE, until_ms=NOON + DAY)
    assert acknowledge(conn, before.id, by="Kim", now_ms=NOON + 2).state is State.SHELVED
    holds.tick(conn, now_ms=NOON + DAY, policy=DESK)
    assert standing(conn).state is State.UNACKNOWLEDGED
    with pytest.raises(CameAgain):
        acknowledge(conn, before.id, by="Kim", now_ms=NOON + DAY, turn=before.turn)


def test_of_several_holds_the_one_that_says_most_counts() -> None:
    conn = memory()
    come(conn, NOON)
    place(conn, State.SHELVED, NOON + 1, kind="bypass_stuck", until_ms=NOON + 6 * DAY)
    place(conn, State.OUT_OF_SERVICE, NOON + 2, until_ms=NOON + 2 * DAY)
    place(conn, State.SUPPRESSED, NOON + 3, until_ms=NOON + 4 * DAY)
    seen = []
    for day in range(7):
        holds.tick(conn, now_ms=NOON + day * DAY + HOUR, policy=DESK)
        seen.append(standing(conn).state)
    assert seen == [
        *[State.OUT_OF_SERVICE] * 2,
        *[State.SUPPRESSED] * 2,
        *[State.SHELVED] * 2,
        State.UNACKNOWLEDGED,
    ]
    assert [entry.state for entry in outbox.entries(conn)] == ["cancelled", "pending"]


def test_the_same_hold_again_takes_the_place_of_the_first() -> None:
    conn = memory()
    place(conn, State.SHELVED, NOON, until_ms=NOON + HOUR)
    place(conn, State.SHELVED, NOON + 1, until_ms=NOON + DAY)
    (only,) = hold.standing(conn, NOON + 2)
    assert only.until_ms == NOON + DAY
    come(conn, NOON + 3)
    assert holds.tick(conn, now_ms=NOON + 2 * HOUR, policy=DESK) == ()
    assert standing(conn).state is State.SHELVED


def test_a_hold_of_one_kind_leaves_the_others() -> None:
    conn = memory()
    place(conn, State.SUPPRESSED, NOON, kind="overcooled")
    come(conn, NOON + 1)
    come(conn, NOON + 2, kind="overcooled")
    assert [alarm.state for alarm in alarms(conn)] == [State.SUPPRESSED, State.UNACKNOWLEDGED]


def test_a_critical_alarm_is_shelved_for_a_day_at_most() -> None:
    conn = memory()
    place(conn, State.SHELVED, NOON, until_ms=NOON + 6 * DAY)
    come(conn, NOON + HOUR, priority=Priority.CRITICAL)
    assert standing(conn).state is State.SHELVED
    assert holds.tick(conn, now_ms=NOON + DAY - 1, policy=DESK) == ()
    (free,) = holds.tick(conn, now_ms=NOON + DAY, policy=DESK)
    assert free.state is State.UNACKNOWLEDGED
    # The shelf itself stands for what is less urgent.
    come(conn, NOON + 2 * DAY, kind="overcooled")
    assert alarms(conn, kind="overcooled")[0].state is State.SHELVED


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"reason": " "}, "reason"),
        ({"by": ""}, "name"),
        ({"until_ms": None}, "say when"),
        ({"until_ms": NOON}, "passed"),
        ({"until_ms": NOON + 7 * DAY + 1}, "7 days"),
    ],
)
def test_a_hold_that_cannot_be_says_why(change: dict[str, object], why: str) -> None:
    conn = memory()
    asked = {
        "state": State.SHELVED,
        "vehicle": "NF-01",
        "until_ms": NOON + DAY,
        "by": "Kim",
        "reason": "part ordered",
        "now_ms": NOON,
        "policy": DESK,
    }
    with pytest.raises(BadHold, match=why):
        holds.place(conn, **{**asked, **change})  # type: ignore[arg-type] # as spelled out
    assert hold.standing(conn, NOON) == ()


def test_a_critical_alarm_that_stands_is_not_shelved_for_long() -> None:
    conn = memory()
    come(conn, NOON, priority=Priority.CRITICAL)
    with pytest.raises(BadHold, match="24 hours"):
        place(conn, State.SHELVED, NOON + 1, until_ms=NOON + 2 * DAY)


def test_only_a_hold_that_stands_can_be_ended() -> None:
    conn = memory()
    with pytest.raises(LookupError):
        holds.release(conn, 1, by="Kim", now_ms=NOON, policy=DESK)
    place(conn, State.SUPPRESSED, NOON)
    holds.release(conn, 1, by="Kim", now_ms=NOON + 1, policy=DESK)
    with pytest.raises(LookupError):
        holds.release(conn, 1, by="Kim", now_ms=NOON + 2, policy=DESK)


def test_samples_that_come_only_after_the_hold_end_as_if_they_had_come_under_it() -> None:
    early, late = memory(), memory()
    for conn in (early, late):
        place(conn, State.SUPPRESSED, NOON)
    come(early, NOON + MINUTE)
    go(early, NOON + 5 * MINUTE, NOON + MINUTE)
    for conn in (early, late):
        holds.release(conn, 1, by="Kim", now_ms=NOON + 6 * MINUTE, policy=DESK)
    # Fresh enough to be told, had nobody said that the truck is in the shop.
    found = pair(NOON + MINUTE, NOON + 5 * MINUTE)
    write(late, found, now_ms=NOON + 7 * MINUTE, policy=DESK)
    for conn in (early, late):
        assert outbox.entries(conn) == []
        assert [alarm.state for alarm in alarms(conn)] == [State.NORMAL]
    assert steps(early) == steps(late)


def test_what_was_found_late_under_a_hold_is_told_only_when_the_data_are_current() -> None:
    conn = memory()
    place(conn, State.SUPPRESSED, NOON)
    write(conn, pair(NOON - DAY, None), now_ms=NOON + 1, policy=DESK)
    newest = {"NF-01": NOON + HOUR}
    assert catch_up(conn, newest_ms=newest, now_ms=NOON + HOUR, policy=DESK) == []
    holds.release(conn, 1, by="Kim", now_ms=NOON + 2 * HOUR, policy=DESK)
    assert outbox.entries(conn) == []
    newest = {"NF-01": NOON + 2 * HOUR}
    assert catch_up(conn, newest_ms=newest, now_ms=NOON + 2 * HOUR, policy=DESK)


def test_an_alarm_shown_to_be_untrue_while_held_is_told_when_it_is_let_go() -> None:
    conn = memory()
    come(conn, NOON)
    deliver(conn, NOON)
    place(conn, State.SHELVED, NOON + 1, until_ms=NOON + DAY)
    write(conn, [], now_ms=NOON + HOUR, policy=DESK)
    deliver(conn, NOON + HOUR)
    assert delivered(conn) == ["active"]
    holds.tick(conn, now_ms=NOON + DAY, policy=DESK)
    deliver(conn, NOON + DAY)
    assert delivered(conn) == ["active", "withdrawn"]
    assert alarms(conn)[0].state is State.NORMAL


def test_what_latches_stays_until_somebody_has_looked() -> None:
    conn = memory()
    come(conn, NOON, policy=LATCH)
    go(conn, NOON + HOUR, NOON, policy=LATCH)
    over = standing(conn)
    assert (over.state, over.active) == (State.LATCHED, False)
    assert "until somebody has looked" in outbox.entries(conn)[-1].remark
    acknowledge(conn, over.id, by="Kim", now_ms=NOON + 2 * HOUR)
    assert standing(conn).state is State.LATCHED_ACKNOWLEDGED
    reset(conn, over.id, by="Ines", now_ms=NOON + 3 * HOUR, comment="valve freed")
    assert ledger.standing(conn) == []
    last = events(conn)[-1]
    assert (last.event, last.by, last.comment) == (Event.RESET, "Ines", "valve freed")


def test_a_reset_is_an_acknowledgement_too() -> None:
    conn = memory()
    come(conn, NOON, policy=LATCH)
    go(conn, NOON + HOUR, NOON, policy=LATCH)
    done = reset(conn, standing(conn).id, by="Kim", now_ms=NOON + 2 * HOUR)
    assert (done.state, done.acknowledged_by) == (State.NORMAL, "Kim")
    assert steps(conn)[-2:] == [
        (Event.ACKNOWLEDGE, State.LATCHED_ACKNOWLEDGED),
        (Event.RESET, State.NORMAL),
    ]


def test_what_stands_cannot_be_reset() -> None:
    conn = memory()
    come(conn, NOON, policy=LATCH)
    found = standing(conn)
    assert reset(conn, found.id, by="Kim", now_ms=NOON + 1) == found


@pytest.mark.parametrize(
    ("priority", "after"),
    [(Priority.HIGH, State.RETURNED), (Priority.CRITICAL, State.LATCHED)],
)
def test_heat_latches_only_when_it_was_critical(priority: Priority, after: State) -> None:
    conn = memory()
    come(conn, NOON, policy=LATCH, kind="over_temperature", priority=priority)
    go(conn, NOON + HOUR, NOON, policy=LATCH, kind="over_temperature")
    assert standing(conn).state is after


def test_what_is_latched_and_comes_again_is_one_alarm() -> None:
    conn = memory()
    for n in range(3):
        come(conn, NOON + n * DAY, policy=LATCH)
        go(conn, NOON + n * DAY + HOUR, NOON + n * DAY, policy=LATCH)
    assert standing(conn).onset_ms == NOON + 2 * DAY


def test_what_is_latched_does_not_give_way_to_less() -> None:
    conn = memory()
    come(conn, NOON, policy=LATCH, kind="over_temperature", priority=Priority.CRITICAL)
    go(conn, NOON + HOUR, NOON, policy=LATCH, kind="over_temperature")
    come(conn, NOON + DAY, policy=LATCH, kind="over_temperature")
    assert [alarm.state for alarm in ledger.standing(conn)] == [
        State.LATCHED,
        State.UNACKNOWLEDGED,
    ]


def test_what_came_and_went_under_a_hold_and_latches_waits_for_a_look() -> None:
    conn = memory()
    place(conn, State.SUPPRESSED, NOON, policy=LATCH)
    come(conn, NOON + 1, policy=LATCH)
    go(conn, NOON + HOUR, NOON + 1, policy=LATCH)
    holds.release(conn, 1, by="Kim", now_ms=NOON + DAY, policy=LATCH)
    assert standing(conn).state is State.LATCHED
    assert outbox.entries(conn) == []


def test_a_repair_in_the_record_resets_what_was_latched_before_it() -> None:
    conn = memory()
    come(conn, NOON, policy=LATCH)
    go(conn, NOON + HOUR, NOON, policy=LATCH)
    come(conn, NOON + DAY, policy=LATCH, kind="coolant_valve_stuck")
    go(conn, NOON + 2 * DAY, NOON + DAY, policy=LATCH, kind="coolant_valve_stuck")
    done = repaired(
        conn, "NF-01", at_ms=NOON + 2 * HOUR, by="Kim", now_ms=NOON + 3 * DAY, comment="entry 4"
    )
    assert [alarm.kind for alarm in done] == ["bypass_stuck"]
    assert standing(conn).kind == "coolant_valve_stuck"


def test_what_came_again_cannot_be_acknowledged_by_an_answer_to_the_first() -> None:
    conn = memory()
    come(conn, NOON)
    first = standing(conn)
    go(conn, NOON + HOUR, NOON)
    come(conn, NOON + 2 * HOUR)
    with pytest.raises(CameAgain):
        acknowledge(conn, first.id, by="Kim", now_ms=NOON + 3 * HOUR, turn=first.turn)
    assert standing(conn).state is State.UNACKNOWLEDGED


def test_late_finds_are_listed_for_the_digest() -> None:
    conn = memory()
    policy = Policy(routes=(Route(channel="desk"),))
    write(conn, pair(NOON - DAY, NOON - DAY + HOUR), now_ms=NOON, policy=policy)
    come(conn, NOON + HOUR)
    assert [alarm.onset_ms for alarm in late_since(conn, NOON)] == [NOON - DAY]
    assert late_since(conn, NOON + 1) == []
