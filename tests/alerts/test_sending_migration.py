"""A store from before there were sendings: what was told stays told, what waits goes on under its name."""

from __future__ import annotations

import sqlite3

from alerts import outbox, schema, sending
from alerts.gathering import Look
from alerts.gathering import take as take_bundle
from alerts.journal import alarms
from tests.alerts.store import MINUTE, NOON, take

#: (id, alarm, channel, matter, due after [ms], attempts, claimed, state, error)
ROWS = (
    ("n1", "a1", "desk", "active", 0, 1, 0, "delivered", ""),
    ("n2", "a1", "phone", "active", 300_000, 4, 0, "pending", "busy"),
    ("n3", "a1", "phone", "rise", 0, 0, 0, "pending", ""),
    ("n4", "a2", "desk", "active", 0, 1, 1, "pending", ""),
    ("n5", "a2", "phone", "active", 0, 9, 0, "abandoned", "550 no"),
    ("n6", "a3", "desk", "active", 0, 0, 0, "cancelled", ""),
    ("n7", "a3", "phone", "active", 0, 0, 0, "pending", ""),
)


def before() -> sqlite3.Connection:
    """Make a store as the version before left it."""
    conn = sqlite3.connect(":memory:", isolation_level=None)
    for statement in (*schema.STEPS[0], *schema.STEPS[1]):
        conn.execute(statement)
    for name in ("a1", "a2", "a3"):
        conn.execute(
            "INSERT INTO alarm (id, vehicle, kind, onset_ms, raised_ms, active, state, priority, "
            "probability, evidence, late, withdrawn, provisional, watched, first_seen_ms, turn, "
            "told_priority, remark) VALUES (?, 'NF-01', 'bypass_stuck', ?, ?, 1, 'unacknowledged', "
            "3, 0.9, '{}', 0, 0, 0, 0, ?, 0, 3, 'seen')",
            (name, NOON, NOON, NOON),
        )
    for name, alarm, channel, matter, due_ms, attempts, claimed, state, error in ROWS:
        key = (name, alarm, channel, matter, NOON, NOON)
        settled_ms = None if state == "pending" else NOON + 1
        conn.execute(
            "INSERT INTO outbox (id, alarm_id, destination, matter, turn, time_ms, priority, "
            "probability, evidence, created_ms, due_ms, attempts, claimed, state, settled_ms, "
            "last_error) VALUES (?, ?, ?, ?, 0, ?, 3, 0.9, '{}', ?, ?, ?, ?, ?, ?, ?)",
            (*key, NOON + due_ms, attempts, claimed, state, settled_ms, error),
        )
    conn.execute(
        "INSERT INTO attempt (notice_id, destination, time_ms, outcome, detail) "
        "VALUES ('n1', 'desk', ?, 'delivered', 'taken')",
        (NOON + 1,),
    )
    return conn


def migrated() -> sqlite3.Connection:
    conn = before()
    for step in schema.STEPS[2:]:
        for statement in step:
            conn.execute(statement)
    return conn


def test_everything_is_still_there_under_its_name_in_its_state() -> None:
    found = {entry.id: entry for entry in outbox.entries(migrated())}
    assert list(found) == [row[0] for row in ROWS]
    for name, alarm, channel, matter, due_ms, attempts, _, state, error in ROWS:
        entry = found[name]
        assert (entry.alarm_id, entry.destination, entry.matter) == (alarm, channel, matter)
        assert (entry.due_ms, entry.attempts) == (NOON + due_ms, attempts)
        assert (entry.state, entry.last_error) == (state, error)
        assert (entry.onset_ms, entry.remark) == (NOON, "seen")
        assert (entry.sending_id == name) is (attempts > 0)


def test_what_was_tried_is_tried_again_under_its_name_and_before_what_follows() -> None:
    conn = migrated()
    assert sending.release(conn) == 1
    under_way = take(conn, "desk", NOON)
    assert under_way is not None
    assert (under_way.id, under_way.attempts) == ("n4", 2)
    other = take(conn, "phone", NOON)
    assert other is not None
    assert other.id == "n7"
    assert take(conn, "phone", NOON) is None
    again = take(conn, "phone", NOON + 5 * MINUTE)
    assert again is not None
    assert (again.id, again.attempts, again.last_error) == ("n2", 5, "busy")
    sending.settle(conn, again, NOON + 5 * MINUTE, "taken")
    follows = take(conn, "phone", NOON + 5 * MINUTE)
    assert follows is not None
    assert follows.id == "n3"


def test_what_was_not_tried_may_go_in_a_bundle() -> None:
    conn = migrated()
    conn.execute("UPDATE sending SET state = 'delivered' WHERE id = 'n2'")
    conn.execute("UPDATE outbox SET state = 'delivered' WHERE id = 'n2'")
    later_ms = NOON + 60 * MINUTE
    bundle = take_bundle(conn, Look(channel="phone", bundles=True, now_ms=later_ms))
    assert bundle is not None
    assert [one.entry.id for one in sending.told(conn, bundle.id)] == ["n3", "n7"]


def test_what_was_given_up_and_the_log_are_still_there() -> None:
    conn = migrated()
    (dead,) = sending.dead_letters(conn)
    assert (dead.id, dead.last_error) == ("n5", "550 no")
    assert sending.resend(conn, "n5", NOON)
    (told,) = sending.attempts(conn, alarm_id="a1")
    assert (told.notice_id, told.detail) == ("n1", "taken")
    assert len(alarms(conn)) == 3
