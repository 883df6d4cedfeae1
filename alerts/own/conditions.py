"""The conditions that Heatbook raises an alarm about itself for: a line for each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Protocol

from alerts.own import (
    archive_failing,
    backup_overdue,
    certificate_expiring,
    channel_failing,
    clock_wrong,
    disk_short,
    quarantine_filling,
    store_failing,
)
from alerts.own.facts import Facts, Found, Limits
from models.words import WriteWords


class Find(Protocol):
    """Say whether a condition holds; ``standing``: its alarm stands, so that it may end a little later."""

    def __call__(self, facts: Facts, limits: Limits, *, standing: bool) -> Found | None:
        """Look at the facts; pure."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """One condition: its kind, how it is found, how it is worded."""

    kind: str
    find: Find
    words: WriteWords


CONDITIONS: tuple[Condition, ...] = tuple(
    Condition(kind=each.KIND, find=each.find, words=each.words)
    for each in (
        disk_short,
        clock_wrong,
        channel_failing,
        store_failing,
        archive_failing,
        quarantine_filling,
        certificate_expiring,
        backup_overdue,
    )
)

OWN_WORDS: Mapping[str, WriteWords] = MappingProxyType(
    {each.kind: each.words for each in CONDITIONS}
)
"""How each kind of these words its evidence."""
