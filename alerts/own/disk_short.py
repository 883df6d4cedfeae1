"""Room on the disk runs out: first said early, then urgently. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from alerts.own.facts import Facts, Found, Limits
from alerts.own.named import by_name, listed, numbered
from alerts.own.wording import own
from alerts.phrases import size_words
from models.transition import Priority
from models.units import Units
from models.words import Words

KIND = "disk_short"
FREE = "free_mb"

_MB = 1_000_000
_AGAIN = 1.1
"""How much more than the limit must be free before it is over: else it comes and goes [-]; own choice."""


def find(facts: Facts, limits: Limits, *, standing: bool) -> Found | None:
    """Find the folders with too little room."""
    early = limits.disk_short_bytes * (_AGAIN if standing else 1.0)
    short = {name: free / _MB for name, free in facts.free_bytes.items() if free < early}
    if not short:
        return None
    urgent = min(short.values()) * _MB < limits.disk_urgent_bytes
    return Found(
        priority=Priority.CRITICAL if urgent else Priority.MEDIUM,
        evidence=numbered(FREE, short),
    )


def words(evidence: Mapping[str, float], units: Units) -> Words:
    """Say how much room is left, and where."""
    del units
    free = by_name(FREE, evidence)
    left = ", ".join(
        f"{size_words(value * _MB)} for the {name}" for name, value in free.items()
    )
    return own(
        title=f"Little room on the disk of the {listed(free)}",
        observed=f"Left: {left}.",
        expected="Room for the weeks to come.",
        doubts="Another program may fill the disk. Heatbook's own files stand on the page System.",
        action=(
            "Make room, or give the disk more. When it is full nothing more is written: messages then wait "
            "at the broker, and no truck is guarded until there is room again."
        ),
        at_once="Make room on the disk",
    )
