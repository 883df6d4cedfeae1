from __future__ import annotations

import sqlite3
from collections.abc import Mapping

from alerts import outbox
from alerts.alarm import State
from alerts.identity import alarm_id
from alerts.journal import acknowledge, alarms, history, standing
from alerts.silence import Ticked, tick
from alerts.watch import EVERYBODY, SILENT, LastHeard, SilenceLimits
from models.transition import Priority, Transition
from tests.alerts.store import MINUTE, NOON, POLICY, memory, transition, write

LIMITS = SilenceLimits()


def heard_at(minute: float, sample_minute: float | None = None) -> LastHeard:
    at = NOON + round(minute * MINUTE)
    own = at if sample_minute is None else NOON + round(sample_minute * MINUTE)
    return LastHeard(time_ms=own, heard_ms=at, moving=True)


def ticked(
    conn: sqlite3.Connection, heard: Mapping[str, LastHeard], minute: float, since: int = 0
) -> Ticked:
    return tick(
        conn,
        heard=heard,
        now_ms=NOON + round(minute * MINUTE),
        limits=LIMITS,
        policy=POLICY,
        listening_since_ms=since,
    )


def gap(onset_minute: float, end_minute: float) -> list[Transition]:
    onset_ms, end_ms = (NOON + round(m * MINUTE) for m in (onset_minute, end_minute))
    return [
        transition(onset_ms, onset_ms, kind=SILENT, priority=Priority.HIGH),
        transition(end_ms, onset_ms, kind=SILENT, active=False, priority=Priority.HIGH),
    ]


def told(conn: sqlite3.Connection) -> list[str]:
    return [e.matter.value for e in outbox.entries(conn) if e.destination == "desk"]


def test_a_silence_is_raised_once_and_leaves_the_transitions_alone() -> None:
    conn = memory()
    (alarm,) = ticked(conn, {"NF-01": heard_at(0)}, 16).raised
    assert alarm.id == alarm_id("NF-01", SILENT, NOON + 15 * MINUTE)
    assert alarm.evidence["quiet_minutes"] == 16.0
    assert (alarm.provisional, alarm.watched) == (True, True)
    assert standing(conn) == [alarm]
    again = ticked(conn, {"NF-01": heard_at(0)}, 17)
    assert (again.raised, again.cleared, again.announced) == ((), (), ())
    assert told(conn) == ["active"]
    assert history(conn) == []


def test_a_gap_that_turns_out_real_is_the_same_alarm() -> None:
    conn = memory()
    (raised,) = ticked(conn, {"NF-01": heard_at(0)}, 16).raised
    write(conn, gap(15, 40), now_ms=NOON + 40 * MINUTE)
    (alarm,) = alarms(conn)
    assert alarm.id == raised.id
    assert (alarm.provisional, alarm.state) == (False, State.RETURNED)
    assert told(conn) == ["active", "normal"]
    assert ticked(conn, {"NF-01": heard_at(40)}, 41).cleared == ()


def test_a_gap_that_the_backlog_fills_returns_to_normal() -> None:
    conn = memory()
    ticked(conn, {"NF-01": heard_at(0)}, 16)
    (alarm,) = ticked(conn, {"NF-01": heard_at(40, sample_minute=2)}, 40).cleared
    assert (alarm.active, alarm.withdrawn) == (False, False)
    assert alarm.remark == "samples came again"
    assert told(conn) == ["active", "normal"]


def test_a_gap_filled_after_it_seemed_real_tells_nobody_again() -> None:
    conn = memory()
    ticked(conn, {"NF-01": heard_at(0)}, 16)
    write(conn, gap(15, 40), now_ms=NOON + 40 * MINUTE)
    write(conn, [], now_ms=NOON + 41 * MINUTE)
    (alarm,) = alarms(conn)
    assert (alarm.withdrawn, alarm.provisional) == (False, True)
    assert alarm.remark == "the stored backlog filled the gap"
    assert told(conn) == ["active", "normal"]


def test_an_open_episode_that_vanishes_ends_the_watched_alarm() -> None:
    conn = memory()
    ticked(conn, {"NF-01": heard_at(0)}, 16)
    write(conn, gap(15, 40)[:1], now_ms=NOON + 40 * MINUTE)
    write(conn, [], now_ms=NOON + 41 * MINUTE)
    (alarm,) = alarms(conn)
    assert (alarm.active, alarm.cleared_ms) == (False, NOON + 41 * MINUTE)


def test_a_shorter_real_gap_takes_over_the_alarm() -> None:
    conn = memory()
    (raised,) = ticked(conn, {"NF-01": heard_at(0)}, 16).raised
    write(conn, gap(35, 60), now_ms=NOON + 60 * MINUTE)
    (alarm,) = alarms(conn)
    assert (alarm.id, alarm.onset_ms) == (raised.id, NOON + 35 * MINUTE)
    assert told(conn) == ["active", "normal"]


def test_a_truck_silent_again_from_the_same_sample_tells_again() -> None:
    conn = memory()
    ticked(conn, {"NF-01": heard_at(0)}, 16)
    ticked(conn, {"NF-01": heard_at(20, sample_minute=0)}, 20)
    (alarm,) = ticked(conn, {"NF-01": heard_at(20, sample_minute=0)}, 36).raised
    assert (alarm.turn, alarm.state) == (1, State.UNACKNOWLEDGED)
    assert ticked(conn, {"NF-01": heard_at(20, sample_minute=0)}, 37).cleared == ()
    assert told(conn) == ["active", "normal", "active"]


def test_an_outage_of_the_broker_is_one_matter_and_its_end_gives_time() -> None:
    conn = memory()
    heard = {f"NF-{number:02}": heard_at(number / 60) for number in range(40)}
    (alarm,) = ticked(conn, heard, 30).raised
    assert alarm.vehicle == EVERYBODY
    assert alarm.evidence["trucks"] == 40.0
    assert ticked(conn, heard, 31).raised == ()
    heard["NF-07"] = heard_at(45)
    back = ticked(conn, heard, 45.1)
    assert [each.vehicle for each in back.cleared] == [EVERYBODY]
    assert back.raised == ()
    later = ticked(conn, heard, 50, since=back.listening_since_ms)
    assert later.raised == ()
    assert told(conn) == ["active", "normal"]


def test_real_gaps_of_an_outage_that_is_over_page_nobody() -> None:
    conn = memory()
    write(conn, gap(15, 20), now_ms=NOON + 20 * MINUTE)
    assert len(alarms(conn)) == 1
    assert told(conn) == []


def test_what_was_found_late_but_still_stands_is_told_when_the_truck_is_current() -> None:
    conn = memory()
    low = transition(NOON, NOON, priority=Priority.MEDIUM)
    write(conn, [low], now_ms=NOON + 60 * MINUTE)
    assert ticked(conn, {"NF-01": heard_at(60, sample_minute=5)}, 60).announced == ()
    assert told(conn) == []
    (alarm,) = ticked(conn, {"NF-01": heard_at(61)}, 61).announced
    assert (alarm.late, alarm.told_priority) == (True, Priority.MEDIUM)
    assert told(conn) == ["active"]
    high = transition(NOON + MINUTE, NOON, priority=Priority.HIGH)
    write(conn, [low, high], now_ms=NOON + 62 * MINUTE)
    assert told(conn) == ["active"]
    assert len(ticked(conn, {"NF-01": heard_at(62)}, 62).announced) == 1
    assert told(conn) == ["active", "rise"]


def test_what_somebody_knows_already_is_not_told_late() -> None:
    conn = memory()
    write(conn, [transition(NOON, NOON)], now_ms=NOON + 60 * MINUTE)
    acknowledge(conn, alarms(conn)[0].id, by="A. Foreman", now_ms=NOON + 61 * MINUTE)
    assert ticked(conn, {"NF-01": heard_at(62)}, 62).announced == ()
