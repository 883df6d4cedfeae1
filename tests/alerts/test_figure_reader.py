"""The figures of a store in which alarms were raised, told, acknowledged and held by the real functions."""

from __future__ import annotations

import sqlite3
from typing import Any

import msgspec
import pytest

from alerts import holds, sending
from alerts.alarm import State
from alerts.figure_reader import figures_of, read
from alerts.figures import DAY_MS, Rules
from alerts.gathering import Look
from alerts.gathering import take as take_next
from alerts.journal import alarms
from alerts.lifecycle import acknowledge
from alerts.policy import Policy, Route
from deploy.figures_command import remarks
from models.transition import Priority
from review.figures_json import plain
from tests.alerts.store import MINUTE, NOON, memory, transition, write

POLICY = Policy(routes=(Route(channel="smtp/ines"), Route(channel="log")))
HOUR = 60 * MINUTE


def raised(conn: sqlite3.Connection, minute: float, vehicle: str, **about: Any) -> None:
    at_ms = NOON + round(minute * MINUTE)
    one = transition(at_ms, at_ms, vehicle=vehicle, **about)
    write(conn, [one], now_ms=at_ms, vehicle=vehicle, after_ms=at_ms - 1, policy=POLICY)


def deliver(conn: sqlite3.Connection, channel: str, minute: float, *, bundles: bool) -> int:
    at_ms = NOON + round(minute * MINUTE)
    count = 0
    while found := take_next(conn, Look(channel=channel, bundles=bundles, now_ms=at_ms)):
        sending.settle(conn, found, at_ms, "told")
        count += 1
    return count


@pytest.fixture
def conn() -> sqlite3.Connection:
    """Three alarms of one kind and one of another; the first two in one mail, the third never told."""
    made = memory()
    raised(made, 0, "NF-01")
    raised(made, 0.5, "NF-02")
    assert deliver(made, "smtp", 1, bundles=True) == 1
    assert deliver(made, "log", 1, bundles=False) == 2
    raised(made, 100, "NF-03", priority=Priority.LOW, kind="overcooled")
    first = next(each for each in alarms(made) if each.vehicle == "NF-01")
    acknowledge(made, first.id, by="Ines", now_ms=NOON + 8 * MINUTE)
    holds.place(
        made,
        state=State.SHELVED,
        vehicle="NF-09",
        until_ms=NOON + 9 * HOUR,
        by="Omar",
        reason="trial",
        now_ms=NOON + HOUR,
        policy=POLICY,
    )
    return made


def test_a_store_is_counted_as_by_hand(conn: sqlite3.Connection) -> None:
    found = figures_of(conn, since_ms=NOON, until_ms=NOON + 2 * HOUR)
    assert found.load.alarms == 3
    assert found.load.per_hour == pytest.approx(1.5)
    assert found.load.peak == 2
    assert found.priorities == {"low": 1, "medium": 0, "high": 2, "critical": 0}
    assert found.acknowledged["high"].median_ms == 8 * MINUTE
    assert found.unacknowledged_now == 2
    assert found.told_share == pytest.approx(2 / 3)
    assert found.held.begun["shelved"] == found.held.now["shelved"] == 1
    # One mail of two alarms, the first of which waited for a minute; two lines in the log.
    assert (found.notices.arrived, found.notices.people) == (3, 1)
    assert found.notices.per_person_day == pytest.approx(12.0)
    assert found.notices.delay.p95_ms == MINUTE
    assert found.notices.delay.median_ms == MINUTE


def test_what_stood_long_before_the_span_is_known(conn: sqlite3.Connection) -> None:
    later = figures_of(conn, since_ms=NOON + 5 * DAY_MS, until_ms=NOON + 6 * DAY_MS)
    assert later.load.alarms == 0
    assert (later.nuisance.stale_now, later.nuisance.stale_most) == (3, 3)
    assert later.unacknowledged_now == 2
    assert later.held.now["shelved"] == 0
    early = read(conn, NOON - 5 * DAY_MS, NOON)
    assert (list(early.happenings), list(early.arrivals), list(early.seen)) == ([], [], [])


def test_programs_and_people_get_the_same(conn: sqlite3.Connection) -> None:
    found = figures_of(conn, since_ms=NOON, until_ms=NOON + 2 * HOUR, rules=Rules(positions=2))
    made = msgspec.json.decode(msgspec.json.encode(plain(found)))
    assert made["since"] == "2026-01-01T12:00:00.000Z"
    assert made["load"]["per_hour"] == pytest.approx(0.75)
    assert made["rules"]["flood"]["begins_above"] == 10
    assert made["notices"]["delay"] == {"count": 3, "median_ms": 60000.0, "p95_ms": 60000}
    assert len(remarks(found)) == 1
    raised(conn, 200, "NF-03", priority=Priority.LOW, kind="overcooled")
    later = figures_of(conn, since_ms=NOON, until_ms=NOON + 4 * HOUR)
    assert remarks(later)[0] == "Most often: NF-03 overcooled 2 times."
