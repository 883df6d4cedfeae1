"""Heatbook's own alarms in the real ledger and outbox: they come, get worse, go, and reach people."""

from __future__ import annotations

import re
import sqlite3
from dataclasses import replace

from alerts import hold, holds, ledger, lifecycle, outbox
from alerts.alarm import State
from alerts.ledger import Alarm
from alerts.own.facts import OURSELVES, Facts, Failing, Limits
from alerts.own.tick import tick
from alerts.people import Person, Way
from alerts.policy import Policy
from alerts.routing import Plan, Rule
from alerts.teller import Teller
from ingest.wire import vehicle_name
from models.transition import Priority
from models.units import METRIC
from tests.alerts.store import MINUTE, NOON, POLICY, memory, worded

MB = 1_000_000
INES = Person(
    key="ines",
    name="Ines of the workshop",
    ways=(
        Way(channel="smtp", address="ines@northfold.example"),
        Way(channel="relay:sms", address="1"),
    ),
    units=METRIC,
    zone=METRIC.zone,
)


def looked(
    conn: sqlite3.Connection, minute: float, *, policy: Policy = POLICY, **given: object
) -> list[Alarm]:
    now_ms = NOON + round(minute * MINUTE)
    facts = Facts(now_ms=now_ms, **given)  # type: ignore[arg-type]  # fields of Facts
    return tick(conn, facts=facts, limits=Limits(), policy=policy)


def told(conn: sqlite3.Connection) -> list[tuple[str, str]]:
    return [(each.destination, each.matter.value) for each in outbox.entries(conn)]


def test_no_truck_can_take_its_name() -> None:
    assert vehicle_name.match(OURSELVES) is None


def test_a_disk_that_fills_is_told_early_then_urgently_and_when_there_is_room_again() -> None:
    conn = memory()
    (early,) = looked(conn, 0, free_bytes={"store": 900 * MB})
    assert (early.vehicle, early.kind, early.state) == (
        OURSELVES,
        "disk_short",
        State.UNACKNOWLEDGED,
    )
    assert looked(conn, 1, free_bytes={"store": 800 * MB}) == []
    lifecycle.acknowledge(conn, early.id, by="Ines", now_ms=NOON + MINUTE)
    (urgent,) = looked(conn, 2, free_bytes={"store": 200 * MB})
    assert (urgent.id, urgent.priority, urgent.state) == (
        early.id,
        Priority.CRITICAL,
        State.UNACKNOWLEDGED,
    )
    assert urgent.evidence == {"free_mb.store": 200.0}
    (over,) = looked(conn, 3, free_bytes={"store": 9_000 * MB})
    assert (over.active, over.state) == (False, State.RETURNED)
    # The phone is told of what is high and above, the desk of all.
    assert told(conn) == [
        ("desk", "active"),
        ("desk", "rise"),
        ("phone", "rise"),
        ("desk", "normal"),
        ("phone", "normal"),
    ]
    (again,) = looked(conn, 4, free_bytes={"store": 900 * MB})
    assert again.id != early.id
    assert [each.id for each in ledger.standing(conn)] == [again.id]


def test_what_is_told_names_heatbook_and_no_truck() -> None:
    conn = memory()
    looked(conn, 0, free_bytes={"store": 200 * MB})
    (notice,) = worded(conn, NOON, words={}, units=METRIC, zone=METRIC.zone, names={})
    assert notice.subject == "ALARM CRITICAL Heatbook: Little room on the disk of the store"
    assert "200 MB for the store" in notice.body
    assert re.search(r"make room", notice.body, re.IGNORECASE)
    assert "@" not in notice.short
    (alarm,) = ledger.standing(conn)
    teller = Teller(words={}, units=METRIC, names={})
    assert teller.who(alarm.vehicle) == "Heatbook itself"
    assert teller.say(alarm).title == "Little room on the disk of the store"


def test_what_stands_when_the_daemon_starts_again_is_not_raised_anew() -> None:
    conn = memory()
    (before,) = looked(conn, 0, free_bytes={"store": 900 * MB})
    assert looked(conn, 5, free_bytes={"store": 901 * MB}) == []
    assert [each.id for each in ledger.standing(conn)] == [before.id]


def test_a_clock_that_is_set_back_names_no_two_alarms_alike() -> None:
    conn = memory()
    (first,) = looked(conn, 0, stepped_ms=-5 * MINUTE)
    looked(conn, 1)
    lifecycle.acknowledge(conn, first.id, by="Ines", now_ms=NOON + MINUTE)
    (second,) = looked(conn, 0, stepped_ms=-5 * MINUTE)
    assert (second.id, second.turn, second.active) == (first.id, 1, True)
    assert [matter for _, matter in told(conn)] == [
        "active",
        "active",
        "normal",
        "normal",
        "active",
        "active",
    ]


def test_a_channel_that_fails_is_told_by_the_others() -> None:
    conn = memory()
    plan = Plan(people={"ines": INES}, fallback=Rule(name="all", tell=("ines",)))
    policy = Policy(plan=plan)
    (alarm,) = looked(
        conn, 0, policy=policy, channels={"smtp": Failing(since_ms=NOON - 60 * MINUTE)}
    )
    assert (alarm.kind, told(conn)) == ("channel_failing", [("relay:sms/ines", "active")])
    looked(conn, 10, policy=policy)
    assert told(conn)[1:] == [("relay:sms/ines", "normal")]


def test_who_has_no_other_way_is_told_by_the_one_that_fails_when_it_is_back() -> None:
    conn = memory()
    plan = Plan(people={"ines": INES}, fallback=Rule(name="all", tell=("ines",)))
    failing = {name: Failing(since_ms=NOON - 60 * MINUTE) for name in ("smtp", "relay:sms")}
    looked(conn, 0, policy=Policy(plan=plan), channels=failing)
    assert told(conn) == [("smtp/ines", "active")]


def test_a_rule_about_some_trucks_is_not_about_heatbook_one_about_its_kinds_is() -> None:
    max_ = replace(INES, key="max", name="Max")
    plan = Plan(
        people={"ines": INES, "max": max_},
        rules=(
            Rule(name="yard", tell=("max",), trucks=frozenset({"NF-01"})),
            Rule(name="machine", tell=("ines",), kinds=frozenset({"disk_short"})),
        ),
        fallback=Rule(name="all", tell=("max",)),
    )
    conn = memory()
    looked(conn, 0, policy=Policy(plan=plan), free_bytes={"store": 900 * MB})
    assert told(conn) == [("smtp/ines", "active")]


def test_what_is_shelved_tells_nobody_until_it_is_let_go() -> None:
    conn = memory()
    hold_until_ms = NOON + 60 * MINUTE
    holds.place(
        conn,
        state=State.SHELVED,
        vehicle=OURSELVES,
        kind="disk_short",
        until_ms=hold_until_ms,
        by="Ines",
        reason="a new disk is on its way",
        now_ms=NOON,
        policy=POLICY,
    )
    (alarm,) = looked(conn, 1, free_bytes={"store": 900 * MB})
    assert (alarm.state, told(conn)) == (State.SHELVED, [])
    holds.tick(conn, now_ms=hold_until_ms + MINUTE, policy=POLICY)
    assert told(conn) == [("desk", "active")]
    assert (
        hold.cover(
            conn,
            OURSELVES,
            "disk_short",
            hold_until_ms + MINUTE,
            priority=alarm.priority,
            rules=POLICY.holds,
        )
        is None
    )
