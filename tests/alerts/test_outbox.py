from __future__ import annotations

import sqlite3

from alerts import outbox
from alerts.journal import alarms
from models.transition import Priority
from tests.alerts.store import MINUTE, NOON, memory, transition, write


def filled() -> sqlite3.Connection:
    conn = memory()
    write(conn, [transition(NOON, NOON)], now_ms=NOON)
    return conn


def take(conn: sqlite3.Connection, now_ms: int = NOON) -> outbox.Entry:
    entry = outbox.claim(conn, "desk", now_ms)
    assert entry is not None
    return entry


def test_a_claimed_notice_is_not_claimed_twice() -> None:
    conn = filled()
    assert outbox.due(conn, "desk", NOON)
    take(conn)
    assert not outbox.due(conn, "desk", NOON)
    assert outbox.claim(conn, "desk", NOON) is None
    assert outbox.claim(conn, "phone", NOON) is not None


def test_a_claim_is_freed_and_the_try_counts() -> None:
    conn = filled()
    first = take(conn)
    assert outbox.release(conn) == 1
    again = take(conn)
    assert (again.id, again.attempts) == (first.id, 1)


def test_nothing_is_due_before_its_time() -> None:
    conn = filled()
    outbox.defer(conn, take(conn), NOON, due_ms=NOON + MINUTE, reason="busy")
    assert outbox.claim(conn, "desk", NOON + MINUTE - 1) is None
    assert take(conn, NOON + MINUTE).last_error == "busy"


def test_normal_never_overtakes_active() -> None:
    conn = filled()
    raised = transition(NOON, NOON)
    write(conn, [raised, transition(NOON + 1, NOON, active=False)], now_ms=NOON + 1)
    outbox.defer(conn, take(conn), NOON, due_ms=NOON + MINUTE, reason="busy")
    assert outbox.claim(conn, "desk", NOON + 30_000) is None
    outbox.settle(conn, take(conn, NOON + MINUTE), NOON + MINUTE, "told")
    assert take(conn, NOON + MINUTE).matter == "normal"


def test_the_most_urgent_goes_first() -> None:
    conn = filled()
    urgent = transition(NOON + 1, NOON + 1, priority=Priority.CRITICAL)
    write(conn, [transition(NOON, NOON), urgent], now_ms=NOON + 1)
    assert take(conn, NOON + 1).time_ms == NOON + 1


def test_what_was_given_up_is_listed_and_can_be_sent_again() -> None:
    conn = filled()
    entry = take(conn)
    outbox.give_up(conn, entry, NOON, "550 no")
    (dead,) = outbox.dead_letters(conn)
    assert (dead.id, dead.last_error, dead.settled_ms) == (entry.id, "550 no", NOON)
    assert outbox.resend(conn, entry.id, NOON + MINUTE)
    assert outbox.dead_letters(conn) == []
    again = take(conn, NOON + MINUTE)
    assert (again.id, again.attempts, again.created_ms) == (entry.id, 0, NOON + MINUTE)
    assert not outbox.resend(conn, "none", NOON)


def test_a_cancelled_notice_is_not_given_up() -> None:
    conn = filled()
    entry = take(conn)
    assert outbox.cancel(conn, entry.alarm_id, NOON) == 2
    outbox.give_up(conn, entry, NOON, "550 no")
    assert outbox.dead_letters(conn) == []
    assert not outbox.resend(conn, entry.id, NOON)


def test_who_was_told_when_is_written_down() -> None:
    conn = filled()
    outbox.defer(conn, take(conn), NOON, due_ms=NOON + 1, reason="busy")
    outbox.settle(conn, take(conn, NOON + 1), NOON + 1, "accepted for desk")
    (alarm,) = alarms(conn)
    log = outbox.attempts(conn, alarm_id=alarm.id)
    assert [(a.time_ms, a.outcome, a.detail) for a in log] == [
        (NOON, "deferred", "busy"),
        (NOON + 1, "delivered", "accepted for desk"),
    ]
    assert outbox.attempts(conn) == log
    assert outbox.attempts(conn, alarm_id="none") == []


def test_what_waits_is_counted() -> None:
    conn = filled()
    assert outbox.waiting(conn) == (2, NOON)
    for channel in ("desk", "phone"):
        entry = outbox.claim(conn, channel, NOON)
        assert entry is not None
        outbox.settle(conn, entry, NOON, "told")
    assert outbox.waiting(conn) == (0, None)
