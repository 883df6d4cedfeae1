"""What becomes of one sending after a try: put back, given up, or told another way."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from random import Random
from typing import Any, Literal, Self

from alerts import gathering, outbox, sending
from alerts.backoff import DELAYS_S, next_try_ms
from alerts.breaker import RESTS_S
from alerts.notice import Undelivered
from alerts.report import move_report
from alerts.sending import Sending, Told, What

Outcome = Literal["delivered", "refused", "away", "fault"]

BUNDLE_LONGEST_S = 1800.0
"""Longest wait for another try [s] where what comes after waits too, to become one bundle: RFC 5321
section 4.5.4.1 asks for at least 30 min between tries."""

URGENT_LONGEST_S = 300.0
"""The same where something critical is in it, or waits behind it; own choice."""

NO_CHANNEL = "the settings have no such channel any more"
NOBODY = "the people file has nobody of this name, or no such way, any more"

NAMED_IN_LOG = 20
"""Alarms that a line of the log names; of more it gives the number only."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """A claimed sending with all that its wording needs."""

    sending: Sending
    told: tuple[Told, ...]
    thread: tuple[str, ...]

    @classmethod
    def of(cls, conn: sqlite3.Connection, claimed: Sending) -> Self:
        """Read what belongs to a sending."""
        return cls(
            sending=claimed,
            told=tuple(sending.told(conn, claimed.id)),
            thread=sending.thread(conn, claimed.id),
        )


def next_due_ms(
    conn: sqlite3.Connection,
    tried: Sending,
    refusal: Undelivered,
    *,
    now_ms: int,
    rng: Random,
    bundles: bool,
    rest_ms: int = 0,
) -> int | None:
    """Give when a sending is tried again [Unix ms], None to give it up.

    ``rest_ms``: until when its channel rests, 0 where the far side lives. An outage ends for all at once,
    so that nobody waits much longer than the channel does.
    """
    if not refusal.retry:
        return None
    longest_s = RESTS_S[-1] if rest_ms else BUNDLE_LONGEST_S if bundles else DELAYS_S[-1]
    if gathering.urgent(conn, tried.id):
        longest_s = min(longest_s, URGENT_LONGEST_S)
    due_ms = next_try_ms(
        attempts=tried.attempts,
        created_ms=now_ms if tried.first_ms is None else tried.first_ms,
        now_ms=now_ms,
        rng=rng,
        retry_after_s=refusal.retry_after_s,
        longest_s=longest_s,
    )
    return None if due_ms is None else max(due_ms, rest_ms)


def give_up(
    tx: sqlite3.Connection, job: Job, now_ms: int, reason: str, other: str | None
) -> None:
    """Lay a sending aside, and have its reader told another way where there is one."""
    moved = 0 if other is None else _move(tx, job, other, now_ms)
    told = f"{reason}; told by {other} instead" if moved else reason
    sending.give_up(tx, job.sending, now_ms, told)


def lay_aside(
    tx: sqlite3.Connection, destination: str, now_ms: int, reason: str, other: str | None
) -> list[Job]:
    """Give up all that waits at a destination."""
    waiting = [
        each
        for name in gathering.gather_all(tx, destination, now_ms)
        for each in sending.sendings(tx, name=name)
    ]
    jobs = [Job.of(tx, each) for each in waiting]
    for job in jobs:
        give_up(tx, job, now_ms, reason, other)
    return jobs


def _move(tx: sqlite3.Connection, job: Job, other: str, now_ms: int) -> int:
    if job.sending.what is What.REPORT:
        return move_report(tx, job.sending, other, now_ms)
    # Whoever never heard of an alarm need not hear that it was withdrawn.
    standing = [one.entry for one in job.told if not one.alarm.withdrawn]
    return sum(outbox.move(tx, entry, other, now_ms) for entry in standing)


def no_other_way(destination: str) -> str | None:
    """Know of no other way to the reader at a destination."""
    del destination
    return None


def everybody(destination: str) -> bool:
    """Know everybody."""
    del destination
    return True


def keys(job: Job) -> dict[str, Any]:
    """Give what every log line about a try names."""
    return {
        "notice_id": job.sending.id,
        "alarm_ids": [one.alarm.id for one in job.told[:NAMED_IN_LOG]],
        "alarms": len(job.told),
        "channel": job.sending.destination,
        "attempt": job.sending.attempts,
    }
