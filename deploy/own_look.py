"""The look at Heatbook itself: facts from disk, clock, channels, store; what they mean is ``alerts/own``."""

from __future__ import annotations

import sqlite3
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from alerts.own.facts import Facts, Failing, Limits
from alerts.own.tick import tick
from alerts.policy import Policy
from deploy.disk_room import free_bytes
from deploy.signs import HOUR_MS, Signs
from review.store import Clock

EVERY_MS = 10_000
"""How often is looked [ms]: a disk that fills at 100 MB/s loses 1 GB meanwhile."""

MINUTE_MS = 60_000

BROKER = "the broker's own"
"""What the certificate is called that the broker shows."""

Archives = Callable[[sqlite3.Connection], Mapping[str, Failing]]
"""Which archives fail now, by name."""

Backup = Callable[[sqlite3.Connection], int | None]
"""When the newest backup was made [Unix ms]."""

Expiries = Callable[[], Mapping[str, int]]
"""When certificates end [Unix ms], by what they are for."""


def _no_archives(_conn: sqlite3.Connection) -> Mapping[str, Failing]:
    return {}


def _no_backup(_conn: sqlite3.Connection) -> int | None:
    return None


def _no_expiries() -> Mapping[str, int]:
    return {}


@dataclass(frozen=True, slots=True, kw_only=True)
class Sources:
    """What the look rests on.

    ``wall_ms`` is the system's clock, None where time is made up (a demonstration); ``now_ms`` the daemon's.
    ``folders``: where files grow, by name.
    """

    now_ms: Clock
    uptime_ms: Clock
    wall_ms: Clock | None = None
    folders: Mapping[str, Path] = field(default_factory=dict)
    archives: Archives = _no_archives
    backup: Backup = _no_backup
    expiries: Expiries = _no_expiries


class OwnLook:
    """Looks every few seconds, in the committer's thread; remembers the last hour."""

    def __init__(
        self, sources: Sources, limits: Limits, policy: Policy, *, every_ms: int = EVERY_MS
    ) -> None:
        self._sources = sources
        self._limits = limits
        self._policy = policy
        self._every_ms = every_ms
        self._due_ms = 0
        self._offset_ms: int | None = None
        self._steps: deque[tuple[int, int]] = deque()
        self._samples: deque[tuple[int, int, int]] = deque()

    def due(self) -> bool:
        """Say whether it is time to look again."""
        return self._sources.uptime_ms() >= self._due_ms

    def tick(self, tx: sqlite3.Connection, signs: Signs) -> None:
        """Look, and raise, raise higher or end what is to be said about Heatbook itself."""
        self._due_ms = self._sources.uptime_ms() + self._every_ms
        facts = self.look(tx, signs)
        tick(tx, facts=facts, limits=self._limits, policy=self._policy)

    def look(self, conn: sqlite3.Connection, signs: Signs) -> Facts:
        """Gather the facts of now."""
        sources = self._sources
        now_ms, uptime_ms = sources.now_ms(), sources.uptime_ms()
        offered, refused = self._lately(uptime_ms, signs.counts.received, signs.counts.refused)
        return Facts(
            now_ms=now_ms,
            free_bytes=free_bytes(sources.folders),
            stepped_ms=self._stepped(uptime_ms),
            behind_ms=self._behind(conn),
            channels=failing_channels(signs, now_ms),
            store_failed_ms=signs.failed_ms,
            archives=sources.archives(conn),
            offered=offered,
            refused=refused,
            expiries={**sources.expiries(), **broker_certificate(signs)},
            backup_ms=sources.backup(conn),
            kept_since_ms=_kept_since(conn, now_ms),
        )

    def _stepped(self, uptime_ms: int) -> int:
        """Give the largest step of the system's clock in the last hour [ms]."""
        if self._sources.wall_ms is None:
            return 0
        offset_ms = self._sources.wall_ms() - uptime_ms
        step_ms = 0 if self._offset_ms is None else offset_ms - self._offset_ms
        self._offset_ms = offset_ms
        if abs(step_ms) > self._limits.clock_jump_ms:
            self._steps.append((uptime_ms, step_ms))
        while self._steps and uptime_ms - self._steps[0][0] > HOUR_MS:
            self._steps.popleft()
        return max((step for _, step in self._steps), key=abs, default=0)

    def _behind(self, conn: sqlite3.Connection) -> int:
        if self._sources.wall_ms is None:
            return 0
        (newest_ms,) = conn.execute("SELECT max(committed_ms) FROM source_position").fetchone()
        return max(0, (newest_ms or 0) - self._sources.wall_ms())

    def _lately(self, uptime_ms: int, received: int, refused: int) -> tuple[int, int]:
        """Give how many samples came, and were refused, in the last hour."""
        if not self._samples or uptime_ms - self._samples[-1][0] >= MINUTE_MS:
            self._samples.append((uptime_ms, received, refused))
        while uptime_ms - self._samples[0][0] > HOUR_MS and len(self._samples) > 1:
            self._samples.popleft()
        _, received_then, refused_then = self._samples[0]
        return received - received_then, refused - refused_then


def _kept_since(conn: sqlite3.Connection, now_ms: int) -> int:
    """Give when the first truck was heard [Unix ms]: before that there is nothing to back up."""
    (first_ms,) = conn.execute("SELECT min(first_heard_ms) FROM vehicle").fetchone()
    return now_ms if first_ms is None else int(first_ms)


def failing_channels(signs: Signs, now_ms: int) -> dict[str, Failing]:
    """Give the channels whose far side is away or wants no more."""
    away = {
        name: Failing(since_ms=each.since_ms)
        for name, each in signs.breakers.items()
        if each.failures
    }
    return {
        **away,
        **{name: Failing(since_ms=now_ms, for_good=True) for name in signs.disabled},
    }


def broker_certificate(signs: Signs) -> dict[str, int]:
    """Give when the certificate ends that the broker shows, if it shows one."""
    ends_ms = signs.source.certificate_ends_ms
    return {} if ends_ms is None else {BROKER: ends_ms}
