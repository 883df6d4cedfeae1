"""What Heatbook knows of itself, as its own alarms are judged by it, and the limits they go by."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from models.transition import Priority

OURSELVES = "@heatbook"
"""Stands for Heatbook itself where an alarm names a truck: no truck's name has an @ in it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """From when on something is worth an alarm; own choices but where the condition says otherwise.

    ``refused_share`` of at least ``refused_least`` samples within ``span_ms``; ``backup_ms`` None: backups
    are nobody's business here.
    """

    disk_short_bytes: int = 1_000_000_000
    disk_urgent_bytes: int = 250_000_000
    clock_jump_ms: int = 60_000
    channel_ms: int = 15 * 60_000
    store_ms: int = 2 * 60_000
    refused_share: float = 0.2
    refused_least: int = 20
    certificate_ms: int = 30 * 86_400_000
    certificate_urgent_ms: int = 7 * 86_400_000
    backup_ms: int | None = None
    archive_ms: int = 60 * 60_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Failing:
    """Something that fails: since when [Unix ms], and whether only a person can end it."""

    since_ms: int
    for_good: bool = False


def _nothing() -> Mapping[str, int]:
    return MappingProxyType({})


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """One look at Heatbook itself, at ``now_ms`` [Unix ms].

    ``free_bytes``: what is left, by the name of a folder. ``stepped_ms``: by how much more the clock on the
    wall went on than the one that never jumps, at a step of the last hour. ``behind_ms``: by how much it
    reads earlier than when something was committed last. ``channels``: those that fail. ``store_failed_ms``:
    for how long the store could not be written, in the last hour. ``archives``: those of history that fail,
    by name. ``offered``, ``refused``: samples that came, and those in quarantine, in the last hour.
    ``expiries``: when certificates end [Unix ms], by what they are for. ``backup_ms``: the newest backup.
    ``kept_since_ms``: since when there is something to back up; None where that is not known.
    """

    now_ms: int
    free_bytes: Mapping[str, int] = field(default_factory=_nothing)
    stepped_ms: int = 0
    behind_ms: int = 0
    channels: Mapping[str, Failing] = field(default_factory=lambda: MappingProxyType({}))
    store_failed_ms: int = 0
    archives: Mapping[str, Failing] = field(default_factory=lambda: MappingProxyType({}))
    offered: int = 0
    refused: int = 0
    expiries: Mapping[str, int] = field(default_factory=_nothing)
    backup_ms: int | None = None
    kept_since_ms: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """That a condition holds: how urgent, and the numbers that show it."""

    priority: Priority
    evidence: Mapping[str, float]
