"""Episodes: what the stored transitions of one onset amount to."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from alerts import evidence as numbers
from models.transition import Priority, Transition

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
    rows = conn.execute(_OF_KEY, (vehicle, *key))
    return together(
        [
            Transition(
                vehicle=vehicle,
                kind=key[0],
                time_ms=time_ms,
                onset_ms=key[1],
                active=bool(active),
                priority=Priority(priority),
                probability=probability,
                evidence=numbers.decode(text),
            )
            for time_ms, active, priority, probability, text in rows
        ]
    )


def together(found: Sequence[Transition]) -> Episode | None:
    """Put an episode together from its transitions in order; ``None`` when it has no active one."""
    active = [each for each in found if each.active]
    if not active:
        return None
    peak = max(active, key=lambda each: (each.priority, -each.time_ms))
    last = active[-1]
    return Episode(
        kind=last.kind,
        onset_ms=last.onset_ms,
        raised_ms=active[0].time_ms,
        peak_ms=peak.time_ms,
        cleared_ms=None if found[-1].active else found[-1].time_ms,
        priority=peak.priority,
        probability=last.probability,
        evidence=last.evidence,
    )
