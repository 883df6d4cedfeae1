"""Episodes: what the stored transitions of one onset amount to."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass

from alerts import evidence as numbers
from models.transition import Priority

Key = tuple[str, int]
"""Kind and onset [ms]: names an episode of one truck."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Episode:
    """One stretch of one condition.

    ``priority`` is the highest it reached, at ``peak_ms``; probability and evidence are
    those of the newest active transition.
    """

    kind: str
    onset_ms: int
    raised_ms: int
    peak_ms: int
    cleared_ms: int | None
    priority: Priority
    probability: float
    evidence: Mapping[str, float]

    @property
    def active(self) -> bool:
        """Tell whether the condition still holds."""
        return self.cleared_ms is None


#: By itself SQLite takes the primary key, and with that all transitions of the truck.
_OF_KEY = """
SELECT time_ms, active, priority, probability, evidence
FROM transition INDEXED BY transition_episode
WHERE vehicle = ? AND kind = ? AND onset_ms = ?
ORDER BY time_ms, active DESC, priority
"""


def episode(conn: sqlite3.Connection, vehicle: str, key: Key) -> Episode | None:
    """Put an episode together from its transitions; ``None`` when it has no active one."""
    rows = [tuple(row) for row in conn.execute(_OF_KEY, (vehicle, *key))]
    active = [row for row in rows if row[1]]
    if not active:
        return None
    peak = max(active, key=lambda row: (row[2], -row[0]))
    last = active[-1]
    return Episode(
        kind=key[0],
        onset_ms=key[1],
        raised_ms=active[0][0],
        peak_ms=peak[0],
        cleared_ms=None if rows[-1][1] else rows[-1][0],
        priority=Priority(peak[2]),
        probability=last[3],
        evidence=numbers.decode(last[4]),
    )
