from __future__ import annotations

import sqlite3
from dataclasses import replace
from datetime import UTC

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts import ledger, outbox, sending
from alerts.alarm import State
from alerts.identity import alarm_id
from alerts.journal import NO_CHANGES, acknowledge, alarms, history, rewrite, standing
from alerts.ledger import Alarm
from models.transition import Priority, Transition
from models.units import METRIC
from tests.alerts.store import MINUTE, NOON, POLICY, memory, take, transition, worded, write

RAISED = transition(NOON + 1000, NOON, fluid_temp_c=121.0)
CLEARED = transition(NOON + 5 * MINUTE, NOON, active=False)


def only(conn: sqlite3.Connection) -> Alarm:
    (alarm,) = alarms(conn)
    return alarm


def sent(conn: sqlite3.Connection) -> list[tuple[str, str, str]]:
    return [
        (entry.destination, entry.matter.value, entry.state) for entry in outbox.entries(conn)
    ]


def deliver_all(conn: sqlite3.Connection, now_ms: int) -> None:
    for channel in ("desk", "phone"):
        while entry := take(conn, channel, now_ms):
            sending.settle(conn, entry, now_ms, "told")


def test_a_transition_raises_an_alarm_and_tells_each_channel_once() -> None:
    conn = memory()
    changes = write(conn, [RAISED], now_ms=NOON + 2000)
    assert changes.added == (RAISED,)
    assert changes.alarms == (only(conn),)
    alarm = only(conn)
    assert (alarm.state, alarm.active, alarm.onset_ms) == (State.UNACKNOWLEDGED, True, NOON)
    assert (alarm.first_seen_ms, alarm.late) == (NOON + 2000, False)
    assert alarm.id == alarm_id("NF-01", "bypass_stuck", NOON)
    assert sent(conn) == [("desk", "active", "pending"), ("phone", "active", "pending")]


def test_the_same_again_changes_nothing() -> None:
    conn = memory()
    write(conn, [RAISED], now_ms=NOON + 2000)
    before = list(conn.iterdump())
    assert write(conn, [RAISED], now_ms=NOON + MINUTE) is NO_CHANGES
    assert list(conn.iterdump()) == before


def test_appending_nothing_asks_the_store_nothing() -> None:
    conn = memory()
    asked: list[str] = []
    conn.set_trace_callback(asked.append)
    changes = rewrite(
        conn,
        vehicle="NF-01",
        after_ms=0,
        transitions=[],
        now_ms=NOON,
        policy=POLICY,
        appending=True,
    )
    assert changes is NO_CHANGES
    assert asked == []


def test_appending_adds_without_looking() -> None:
    conn = memory()
    for each in (RAISED, CLEARED):
        rewrite(
            conn,
            vehicle="NF-01",
            after_ms=each.time_ms - 1,
            transitions=[each],
            now_ms=each.time_ms,
            policy=POLICY,
            appending=True,
        )
    assert history(conn) == [RAISED, CLEARED]
    assert only(conn).state is State.RETURNED


@pytest.mark.parametrize(
    "wrong", [replace(RAISED, vehicle="NF-02"), replace(RAISED, time_ms=9)]
)
def test_a_transition_that_does_not_belong_is_a_fault(wrong: Transition) -> None:
    with pytest.raises(ValueError, match="not of NF-01 after 10"):
        write(memory(), [wrong], now_ms=NOON, after_ms=10)


def test_a_clear_returns_to_normal_and_tells_those_who_were_told() -> None:
    conn = memory()
    write(conn, [RAISED], now_ms=NOON + 2000)
    write(conn, [CLEARED], now_ms=NOON + 5 * MINUTE, after_ms=NOON + 1000)
    alarm = only(conn)
    assert (alarm.state, alarm.cleared_ms) == (State.RETURNED, NOON + 5 * MINUTE)
    assert [row[:2] for row in sent(conn)] == [
        ("desk", "active"),
        ("phone", "active"),
        ("desk", "normal"),
        ("phone", "normal"),
    ]


def test_a_clear_that_is_found_late_still_reaches_those_who_believe_it_stands() -> None:
    conn = memory()
    write(conn, [RAISED], now_ms=NOON + 2000)
    write(conn, [RAISED, CLEARED], now_ms=NOON + 300 * MINUTE)
    assert ("phone", "normal", "pending") in sent(conn)


def test_a_rise_alarms_again_after_acknowledgement() -> None:
    conn = memory()
    low = transition(NOON, NOON, priority=Priority.MEDIUM)
    write(conn, [low], now_ms=NOON)
    assert sent(conn) == [("desk", "active", "pending")]
    known = acknowledge(
        conn, only(conn).id, by="A. Foreman", now_ms=NOON + MINUTE, comment="on my way"
    )
    assert known == only(conn)
    assert (known.state, known.acknowledged_by) == (State.ACKNOWLEDGED, "A. Foreman")
    assert (known.acknowledged_ms, known.comment) == (NOON + MINUTE, "on my way")
    high = transition(NOON + 2 * MINUTE, NOON, priority=Priority.CRITICAL)
    write(conn, [low, high], now_ms=NOON + 2 * MINUTE)
    alarm = only(conn)
    assert (alarm.state, alarm.priority) == (State.UNACKNOWLEDGED, Priority.CRITICAL)
    assert sent(conn)[1:] == [("desk", "rise", "pending"), ("phone", "rise", "pending")]


def test_an_acknowledgement_twice_keeps_the_first() -> None:
    conn = memory()
    write(conn, [RAISED, CLEARED], now_ms=NOON + 5 * MINUTE)
    first = acknowledge(conn, only(conn).id, by="A. Foreman", now_ms=NOON + 6 * MINUTE)
    assert first.state is State.NORMAL
    assert standing(conn) == []
    assert acknowledge(conn, first.id, by="B. Driver", now_ms=NOON + 7 * MINUTE) == first


def test_an_unknown_alarm_cannot_be_acknowledged() -> None:
    with pytest.raises(LookupError):
        acknowledge(memory(), "none", by="A. Foreman", now_ms=NOON)


def test_what_is_long_over_is_recorded_and_pages_nobody() -> None:
    conn = memory()
    write(conn, [RAISED, CLEARED], now_ms=NOON + 60 * MINUTE)
    assert only(conn).late
    assert only(conn).state is State.RETURNED
    assert sent(conn) == []


def test_an_episode_that_vanishes_is_withdrawn() -> None:
    conn = memory()
    write(conn, [RAISED], now_ms=NOON + 2000)
    entry = take(conn, "desk", NOON + 2000)
    assert entry is not None
    sending.settle(conn, entry, NOON + 2000, "told")
    changes = write(conn, [], now_ms=NOON + MINUTE)
    assert changes.removed == (RAISED,)
    assert only(conn).withdrawn
    assert standing(conn) == []
    assert sent(conn) == [
        ("desk", "active", "delivered"),
        ("phone", "active", "cancelled"),
        ("desk", "withdrawn", "pending"),
    ]


def test_a_notice_under_way_when_the_alarm_is_withdrawn_counts_as_told() -> None:
    conn = memory()
    write(conn, [RAISED], now_ms=NOON + 2000)
    entry = take(conn, "phone", NOON + 2000)
    assert entry is not None
    write(conn, [], now_ms=NOON + MINUTE)
    assert ("phone", "withdrawn", "pending") in sent(conn)
    sending.settle(conn, entry, NOON + MINUTE, "told")
    assert ("phone", "active", "delivered") in sent(conn)


def test_an_episode_that_comes_back_after_withdrawal_tells_again() -> None:
    conn = memory()
    for now_ms, transitions in enumerate(([RAISED], [], [RAISED]), start=NOON + 2000):
        write(conn, transitions, now_ms=now_ms)
        deliver_all(conn, now_ms)
    alarm = only(conn)
    assert (alarm.withdrawn, alarm.turn, alarm.state) == (False, 1, State.UNACKNOWLEDGED)
    told = [matter for channel, matter, _ in sent(conn) if channel == "phone"]
    assert told == ["active", "withdrawn", "active"]


def test_a_moved_onset_keeps_the_alarm_and_pages_nobody() -> None:
    conn = memory()
    write(conn, [RAISED], now_ms=NOON + 2000)
    name = only(conn).id
    moved = transition(NOON - 3 * MINUTE, NOON - 4 * MINUTE)
    write(conn, [moved], now_ms=NOON + MINUTE)
    assert (only(conn).id, only(conn).onset_ms) == (name, NOON - 4 * MINUTE)
    assert len(sent(conn)) == 2


def test_an_onset_used_by_a_moved_alarm_gets_a_name_of_its_own() -> None:
    conn = memory()
    write(conn, [RAISED], now_ms=NOON + 2000)
    moved = [
        transition(NOON - 3 * MINUTE, NOON - 4 * MINUTE),
        transition(NOON - MINUTE, NOON - 4 * MINUTE, active=False),
    ]
    write(conn, [transition(NOON + 900, NOON - 4 * MINUTE)], now_ms=NOON + MINUTE)
    write(conn, [*moved, RAISED], now_ms=NOON + MINUTE)
    found = {alarm.onset_ms: alarm.id for alarm in alarms(conn)}
    assert found[NOON - 4 * MINUTE] == alarm_id("NF-01", "bypass_stuck", NOON)
    assert found[NOON] == alarm_id("NF-01", "bypass_stuck", NOON, 1)


def test_an_episode_of_another_kind_is_not_the_moved_one() -> None:
    conn = memory()
    write(conn, [RAISED], now_ms=NOON + 2000)
    other = transition(NOON + 1000, NOON - 500, kind="over_temperature")
    write(conn, [other], now_ms=NOON + 3000)
    by_kind = {alarm.kind: alarm.withdrawn for alarm in alarms(conn)}
    assert by_kind == {"bypass_stuck": True, "over_temperature": False}


def test_two_episodes_that_become_one_are_not_called_untrue() -> None:
    conn = memory()
    second = transition(NOON + 8 * MINUTE, NOON + 7 * MINUTE)
    write(conn, [RAISED, CLEARED, second], now_ms=NOON + 8 * MINUTE)
    deliver_all(conn, NOON + 8 * MINUTE)
    write(conn, [RAISED], now_ms=NOON + 9 * MINUTE)
    one, two = sorted(alarms(conn), key=lambda alarm: alarm.onset_ms)
    assert (one.active, one.turn) == (True, 1)
    assert (two.withdrawn, two.remark) == (True, "part of a longer episode")
    assert not [row for row in sent(conn) if row[1] == "withdrawn"]


def test_a_clear_that_moves_tells_nobody_again() -> None:
    conn = memory()
    write(conn, [RAISED, CLEARED], now_ms=NOON + 5 * MINUTE)
    later = replace(CLEARED, time_ms=NOON + 6 * MINUTE)
    write(conn, [RAISED, later], now_ms=NOON + 7 * MINUTE)
    assert only(conn).cleared_ms == NOON + 6 * MINUTE
    assert len(sent(conn)) == 4


def test_a_clear_alone_is_no_alarm() -> None:
    conn = memory()
    write(conn, [CLEARED], now_ms=NOON + 5 * MINUTE)
    assert alarms(conn) == []


def test_numbers_that_are_none_are_kept_as_unknown() -> None:
    conn = memory()
    write(conn, [transition(NOON, NOON, a=float("inf"), b=1)], now_ms=NOON)
    (found,) = history(conn, "NF-01")
    assert found.evidence["a"] != found.evidence["a"]
    assert found.evidence["b"] == 1.0


def test_alarms_are_listed_by_truck_kind_and_time_newest_first() -> None:
    conn = memory()
    write(conn, [RAISED, transition(NOON + 9, NOON + 9)], now_ms=NOON)
    write(conn, [transition(9, 9, vehicle="NF-02")], now_ms=NOON, vehicle="NF-02")
    assert [alarm.onset_ms for alarm in alarms(conn)] == [NOON + 9, NOON, 9]
    assert [alarm.onset_ms for alarm in alarms(conn, vehicle="NF-02")] == [9]
    assert alarms(conn, kind="over_temperature") == []
    assert [a.onset_ms for a in alarms(conn, since_ms=NOON, limit=1)] == [NOON + 9]


def test_standing_lists_the_most_urgent_first() -> None:
    conn = memory()
    worst = transition(NOON + 9, NOON + 9, priority=Priority.CRITICAL)
    write(conn, [RAISED, worst], now_ms=NOON)
    assert [a.priority for a in standing(conn)] == [Priority.CRITICAL, Priority.HIGH]


def test_a_shelved_alarm_ends_quietly() -> None:
    conn = memory()
    write(conn, [RAISED], now_ms=NOON + 2000)
    ledger.save(conn, replace(only(conn), state=State.SHELVED))
    write(conn, [RAISED, CLEARED], now_ms=NOON + 5 * MINUTE)
    assert (only(conn).state, only(conn).active) == (State.SHELVED, False)
    assert len(sent(conn)) == 2


def test_the_index_serves_what_stands() -> None:
    asked = "EXPLAIN QUERY PLAN SELECT * FROM alarm WHERE " + ledger.STANDING  # noqa: S608 - ours
    plan = memory().execute(asked)
    assert "alarm_standing" in str(plan.fetchall())


TIMES = st.integers(1, 12)
TRANSITIONS = st.builds(
    transition,
    TIMES.map(lambda t: NOON + t * MINUTE),
    TIMES.map(lambda t: NOON + t * MINUTE),
    active=st.booleans(),
    priority=st.sampled_from(Priority),
    kind=st.sampled_from(["bypass_stuck", "over_temperature"]),
    fluid_temp_c=st.sampled_from([100.0, 120.5]),
)


def _key(each: Transition) -> tuple[object, ...]:
    return each.time_ms, each.kind, each.onset_ms, each.active, each.priority


LISTS = st.lists(TRANSITIONS, max_size=8, unique_by=_key)


@settings(max_examples=150, deadline=None)
@given(final=LISTS, versions=st.lists(st.tuples(LISTS, st.integers(0, 13)), max_size=4))
def test_any_way_to_the_final_list_ends_in_the_same_transitions(
    final: list[Transition], versions: list[tuple[list[Transition], int]]
) -> None:
    straight, crooked = memory(), memory()
    write(straight, final, now_ms=NOON)
    for number, (version, minute) in enumerate(versions):
        after_ms = NOON + minute * MINUTE
        tail = [each for each in version if each.time_ms > after_ms]
        write(crooked, tail, now_ms=NOON + number, after_ms=after_ms)
        _ledger_is_sound(crooked)
        deliver_all(crooked, NOON + number)
    write(crooked, final, now_ms=NOON + 99)
    rows = "SELECT * FROM transition ORDER BY 1, 2, 3, 4, 5, 6"
    assert straight.execute(rows).fetchall() == crooked.execute(rows).fetchall()
    assert history(straight) == history(crooked)
    _ledger_is_sound(crooked)


@settings(max_examples=60, deadline=None)
@given(final=LISTS, cuts=st.lists(st.integers(0, 13), max_size=4))
def test_any_cut_into_commits_tells_each_matter_once(
    final: list[Transition], cuts: list[int]
) -> None:
    conn = memory()
    after_ms = 0
    ordered = sorted(final, key=_key)
    for minute in [*sorted(cuts), 99]:
        end_ms = NOON + minute * MINUTE
        part = [each for each in ordered if after_ms < each.time_ms <= end_ms]
        write(conn, part, now_ms=NOON, after_ms=after_ms)
        after_ms = max(after_ms, end_ms)
    before = sent(conn)
    write(conn, ordered, now_ms=NOON)
    assert sent(conn) == before
    assert {t.time_ms for t in history(conn)} == {t.time_ms for t in final}


def _ledger_is_sound(conn: sqlite3.Connection) -> None:
    """Every episode has one living alarm that agrees with it; every other one is withdrawn."""
    episodes: dict[tuple[str, int], list[Transition]] = {}
    for each in history(conn):
        episodes.setdefault((each.kind, each.onset_ms), []).append(each)
    real = {key: rows for key, rows in episodes.items() if any(row.active for row in rows)}
    living = {(a.kind, a.onset_ms): a for a in alarms(conn) if not a.withdrawn}
    assert set(living) == set(real)
    for key, alarm in living.items():
        assert alarm.active == real[key][-1].active
        assert alarm.priority == max(row.priority for row in real[key] if row.active)
        assert alarm.active == (alarm.state in (State.UNACKNOWLEDGED, State.ACKNOWLEDGED))
    assert len(living) == len(ledger.find(conn, "withdrawn = 0"))


def test_that_another_was_withdrawn_does_not_keep_the_end_of_one_that_stands_from_anybody() -> (
    None
):
    conn = memory()
    earlier = transition(NOON, NOON)
    over = transition(NOON + 1, NOON, active=False)
    later = transition(NOON + 5 * MINUTE, NOON + 5 * MINUTE)
    write(conn, [earlier, over], now_ms=NOON + 1)
    worded(conn, NOON + 1, words={}, units=METRIC, zone=UTC, names={})
    write(conn, [earlier, over, later], now_ms=NOON + 5 * MINUTE)
    worded(conn, NOON + 5 * MINUTE, words={}, units=METRIC, zone=UTC, names={})
    write(conn, [later], now_ms=NOON + 6 * MINUTE)
    ended = transition(NOON + 7 * MINUTE, NOON + 5 * MINUTE, active=False)
    write(conn, [later, ended], now_ms=NOON + 7 * MINUTE)
    told = [each for each in outbox.entries(conn) if each.onset_ms == NOON + 5 * MINUTE]
    assert [each.matter for each in told if each.destination == "desk"] == ["active", "normal"]
