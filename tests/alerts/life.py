"""A truck's alarm that comes and goes, by the test's own clock, and who was told of it."""

from __future__ import annotations

import sqlite3
from collections import defaultdict
from collections.abc import Iterable

from alerts import ledger, outbox, sending
from alerts.ledger import Alarm
from alerts.policy import Policy, Route
from models.transition import Priority, Transition
from tests.alerts.store import MINUTE, take, transition, write

SECOND = 1000
HOUR = 60 * MINUTE
DESK = Policy(routes=(Route(channel="desk"),))


def pair(
    start_ms: int, stop_ms: int | None, *, priority: Priority = Priority.HIGH
) -> list[Transition]:
    """One time that the alarm comes, and goes."""
    came = transition(start_ms, start_ms, priority=priority)
    if stop_ms is None:
        return [came]
    return [came, transition(stop_ms, start_ms, active=False, priority=priority)]


def come(
    conn: sqlite3.Connection,
    at_ms: int,
    *,
    policy: Policy = DESK,
    priority: Priority = Priority.HIGH,
    kind: str = "bypass_stuck",
    vehicle: str = "NF-01",
) -> None:
    """Let it come, seen at once, after all that was."""
    came = transition(at_ms, at_ms, priority=priority, kind=kind, vehicle=vehicle)
    write(conn, [came], now_ms=at_ms, after_ms=at_ms - 1, vehicle=vehicle, policy=policy)


def go(
    conn: sqlite3.Connection,
    at_ms: int,
    onset_ms: int,
    *,
    policy: Policy = DESK,
    kind: str = "bypass_stuck",
    vehicle: str = "NF-01",
) -> None:
    """Let what came at ``onset_ms`` go, seen at once."""
    went = transition(at_ms, onset_ms, active=False, kind=kind, vehicle=vehicle)
    write(conn, [went], now_ms=at_ms, after_ms=at_ms - 1, vehicle=vehicle, policy=policy)


def flap(conn: sqlite3.Connection, start_ms: int, times: int, *, half_ms: int = SECOND) -> int:
    """Come and go so often; send what is due after each step; give the time after it."""
    for n in range(times):
        onset_ms = start_ms + 2 * n * half_ms
        come(conn, onset_ms)
        deliver(conn, onset_ms)
        go(conn, onset_ms + half_ms, onset_ms)
        deliver(conn, onset_ms + half_ms)
    return start_ms + 2 * times * half_ms


def deliver(conn: sqlite3.Connection, now_ms: int, channel: str = "desk") -> None:
    """Send what is due."""
    while claimed := take(conn, channel, now_ms):
        sending.settle(conn, claimed, now_ms, "told")


def delivered(conn: sqlite3.Connection) -> list[str]:
    """List what was told, in order."""
    return [entry.matter.value for entry in outbox.entries(conn, state="delivered")]


def standing(conn: sqlite3.Connection) -> Alarm:
    """Give the one alarm that stands."""
    (alarm,) = ledger.standing(conn)
    return alarm


def spans(
    transitions: Iterable[Transition], *, open_ms: int | None, now_ms: int
) -> list[tuple[int, int]]:
    """Give from when to when a condition held, each time; ``open_ms`` began what still holds."""
    times: dict[int, list[int]] = defaultdict(list)
    for each in transitions:
        times[each.onset_ms].append(each.time_ms)
    return [
        (onset_ms, now_ms if onset_ms == open_ms else max(seen))
        for onset_ms, seen in times.items()
    ]
