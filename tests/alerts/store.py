"""What the tests of this package share: a store, transitions, a wording, a clock."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC
from functools import partial
from typing import Any

from alerts import gathering, ledger, outbox, schema, sending
from alerts.alarm import Matter
from alerts.journal import Changes, rewrite
from alerts.life_rules import ChatterRules
from alerts.notice import Item, Notice
from alerts.policy import Policy, Route
from alerts.sending import Sending, Told
from alerts.wording import compose
from models.transition import Priority, Transition
from models.units import METRIC

MINUTE = 60_000
NOON = 1_767_268_800_000
#: Alarms of a second are told as over at once here; ``test_chatter`` goes by the rules as they are.
POLICY = Policy(
    routes=(Route(channel="desk"), Route(channel="phone", min_priority=Priority.HIGH)),
    chatter=ChatterRules(brief_ms=0),
)


def memory() -> sqlite3.Connection:
    conn = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
    for step in schema.STEPS:
        for statement in step:
            conn.execute(statement)
    return conn


def transition(
    time_ms: int,
    onset_ms: int,
    *,
    active: bool = True,
    priority: Priority = Priority.HIGH,
    kind: str = "bypass_stuck",
    vehicle: str = "NF-01",
    **evidence: float,
) -> Transition:
    return Transition(
        vehicle=vehicle,
        kind=kind,
        time_ms=time_ms,
        onset_ms=onset_ms,
        active=active,
        priority=priority,
        probability=0.998,
        evidence=evidence,
    )


def write(
    conn: sqlite3.Connection,
    transitions: Sequence[Transition],
    *,
    now_ms: int,
    after_ms: int = 0,
    vehicle: str = "NF-01",
    policy: Policy = POLICY,
) -> Changes:
    return rewrite(
        conn,
        vehicle=vehicle,
        after_ms=after_ms,
        transitions=transitions,
        now_ms=now_ms,
        policy=policy,
    )


def take(conn: sqlite3.Connection, channel: str, now_ms: int) -> Sending | None:
    """Claim what a channel that takes alarms one by one should send now."""
    return gathering.take(conn, gathering.Look(channel=channel, bundles=False, now_ms=now_ms))


def worded(
    conn: sqlite3.Connection, now_ms: int, *, channel: str = "desk", **how: Any
) -> list[Notice]:
    """Deliver what is due at a channel, one by one, and give the notices."""
    found: list[Notice] = []
    while claimed := take(conn, channel, now_ms):
        told = sending.told(conn, claimed.id)
        found.append(compose(claimed, told, sending.thread(conn, claimed.id), **how))
        sending.settle(conn, claimed, now_ms, "told")
    return found


def told_of(conn: sqlite3.Connection, place: int = 0) -> Told:
    """Give one telling of the outbox by its place, with its alarm."""
    entry = outbox.entries(conn)[place]
    alarm = ledger.get(conn, entry.alarm_id)
    assert alarm is not None
    return Told(entry=entry, alarm=alarm)


plainly = partial(compose, words={}, units=METRIC, zone=UTC, names={})


def notice(**changes: object) -> Notice:
    item = Item(
        alarm_id="a1",
        matter=Matter.ACTIVE,
        vehicle="NF-01",
        kind="bypass_stuck",
        priority=Priority.HIGH,
        probability=0.998,
        evidence={"fluid_temp_c": 121.0, "spare": float("nan")},
        onset_ms=NOON,
        time_ms=NOON,
    )
    values: dict[str, object] = {
        "id": "n1",
        "destination": "desk",
        "created_ms": NOON,
        "priority": Priority.HIGH,
        "subject": "ALARM HIGH NF-01: bypass stuck",
        "short": "short",
        "body": "The fluid is at 121 °C.\n",
        "items": (item,),
        **changes,
    }
    return Notice(**values)  # type: ignore[arg-type]  # the fields are spelled out above


class Time:
    """A clock that only the test moves."""

    def __init__(self, now_ms: int = NOON) -> None:
        self.now_ms = now_ms

    def __call__(self) -> int:
        return self.now_ms

    def pass_ms(self, ms: int) -> None:
        self.now_ms += ms


@contextmanager
def using(conn: sqlite3.Connection) -> Iterator[sqlite3.Connection]:
    yield conn
