"""What is done with each commit and every few seconds costs no more after years than after a month.

Counted in instructions of the database's own machine, so no clock and no load of the machine is in it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import pytest

from alerts import chatter, gathering, holds, ledger, outbox, sending, silence
from alerts.escalation import unanswered
from alerts.gathering import Look
from alerts.own import tick as own
from alerts.own.facts import Facts, Limits
from alerts.policy import Policy, Route
from alerts.watch import SilenceLimits
from deploy.metrics import from_store
from tests.alerts.life import come, go
from tests.alerts.store import MINUTE, NOON, memory

LITTLE, MUCH = 150, 900
"""Finished alarms of one truck and kind, each told to two destinations and back to normal."""

DAY = 1440 * MINUTE
POLICY = Policy(routes=(Route(channel="desk"), Route(channel="smtp")))
LOOK = Look(channel="smtp", bundles=True, now_ms=NOON)
Work = Callable[[sqlite3.Connection], object]


def _silence(conn: sqlite3.Connection) -> object:
    return silence.tick(
        conn,
        heard={},
        now_ms=NOON,
        limits=SilenceLimits(),
        policy=POLICY,
        listening_since_ms=0,
    )


WORKS: dict[str, Work] = {
    "an alarm comes": lambda conn: come(conn, NOON, policy=POLICY),
    "it goes": lambda conn: go(conn, NOON + DAY, NOON, policy=POLICY),
    "silence": _silence,
    "holds": lambda conn: holds.tick(conn, now_ms=NOON, policy=POLICY),
    "chatter": lambda conn: chatter.tick(conn, now_ms=NOON, policy=POLICY),
    "escalation": unanswered,
    "itself": lambda conn: own.tick(
        conn, facts=Facts(now_ms=NOON), limits=Limits(), policy=POLICY
    ),
    "figures of notices": lambda conn: list(from_store._waiting(conn, NOON)),
    "figures of alarms": lambda conn: list(from_store._alarms(conn)),
    "what is next": lambda conn: gathering.choose(conn, LOOK),
    "taking it": lambda conn: gathering.take(conn, LOOK),
    "who waits": gathering.waiting_at,
    "how many wait": sending.waiting,
    "what stands": ledger.standing,
}


@dataclass
class Counter:
    """Counts what the database does, in hundreds of instructions."""

    hundreds: int = 0

    def __call__(self) -> int:
        self.hundreds += 1
        return 0


@cache
def years(episodes: int) -> bytes:
    """Make a store in which so many alarms came, were told, and went, a day apart; one stands untold."""
    conn = memory()
    first_ms = NOON - (episodes + 10) * DAY
    for nth in range(episodes):
        onset_ms = first_ms + nth * DAY
        come(conn, onset_ms, policy=POLICY)
        go(conn, onset_ms + 10 * MINUTE, onset_ms, policy=POLICY)
        _deliver(conn, onset_ms + 20 * MINUTE)
    come(conn, NOON - DAY, policy=POLICY, vehicle="NF-02")
    conn.execute(
        "UPDATE alarm SET chattering = 1 WHERE vehicle = 'NF-01' AND active = 0 AND id = "
        "(SELECT max(id) FROM alarm WHERE vehicle = 'NF-01')"
    )
    return conn.serialize()


def _deliver(conn: sqlite3.Connection, now_ms: int) -> None:
    for channel, bundles in (("desk", False), ("smtp", True)):
        while claimed := gathering.take(
            conn, Look(channel=channel, bundles=bundles, now_ms=now_ms)
        ):
            sending.settle(conn, claimed, now_ms, "told")


def cost(episodes: int, name: str) -> int:
    conn = sqlite3.connect(":memory:", isolation_level=None)
    conn.deserialize(years(episodes))
    if name == "it goes":
        come(conn, NOON, policy=POLICY)
    counter = Counter()
    conn.set_progress_handler(counter, 100)
    WORKS[name](conn)
    return counter.hundreds


@pytest.mark.parametrize("name", WORKS)
def test_what_is_done_all_the_time_costs_no_more_by_the_year(name: str) -> None:
    little, much = cost(LITTLE, name), cost(MUCH, name)
    # A search in ten times as much takes a step or two more; a look at each row ten times as many.
    assert much <= 1.2 * little + 20


def test_the_history_of_this_test_is_one() -> None:
    conn = sqlite3.connect(":memory:", isolation_level=None)
    conn.deserialize(years(LITTLE))
    assert len(outbox.entries(conn, state="delivered")) == 4 * LITTLE
